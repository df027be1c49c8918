"""What a rig lacks is asked for at once, and what no propeller of this class has is refused with the likely unit."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from declared_keys import declared

from whirlbench.analysis.strength import check_strength
from whirlbench.errors import RigError
from whirlbench.physics.materials import FARTHEST, PUBLISHED, believable_mpa
from whirlbench.rig.size_rules import SLIPS, WITHIN, likely_slip, number_complaints
from whirlbench.rig.toml import parse_rig

HEAD = "[propeller]\ndiameter_m = 0.56\nblades = 2\n"


def refusal(text: str) -> str:
    with pytest.raises(RigError) as caught:
        check_strength(parse_rig(text, "stand.toml"))
    message = str(caught.value)
    assert "\n" not in message
    return message


def missing(message: str) -> list[str]:
    return re.findall(r"key (\S+) is missing", message)


def test_a_clamped_wooden_root_takes_one_refusal() -> None:
    """The whole way from a kind to a rig that can be checked takes one correction."""
    found = missing(
        refusal('[blade_sets.wood]\nmaterial = "laminated_beech"\n[blade_sets.wood.root]\nkind = "clamped"')
    )
    root = [f"blade_sets.wood.root.{key}" for key in ("mouth_radius_m", "neck_chord_m", "neck_thickness_m")]
    root += ["blade_sets.wood.root.clamped_length_m"]
    others = ["propeller.diameter_m", "propeller.blades", "blade_sets.wood.root.clamp_force_n"]
    assert found == [*root, *others, "blade_sets.wood.mass_kg", "blade_sets.wood.cg_radius_m"]


def test_following_the_refusal_gives_a_rig_that_is_checked() -> None:
    """The examples in it are of one rig: put in as they stand, they make a check."""
    text = HEAD + '[blade_sets.wood.root]\nkind = "clamped"\n'
    message = refusal(text)
    values = dict(re.findall(r"key blade_sets\.wood\.(\S+) is missing \([^)]*?for example ([^;)]+)", message))
    root = "".join(f"{key.removeprefix('root.')} = {value}\n" for key, value in values.items() if "root." in key)
    plain = "".join(f"{key} = {value}\n" for key, value in values.items() if "root." not in key)
    sets = f'[blade_sets.wood]\n{plain}[blade_sets.wood.root]\nkind = "clamped"\n{root}'
    whole = f"{HEAD}[limits]\noverspeed_rpm = 4000\n{sets}"
    assert check_strength(parse_rig(whole)).fitted.name == "wood"


def test_each_missing_key_says_what_it_is_and_gives_an_example() -> None:
    message = refusal('[blade_sets.w.root]\nkind = "tang"')
    assert (
        "key blade_sets.w.root.width_m is missing (width of the tang, across bolt and pull in m, for example" in message
    )
    assert message.startswith("stand.toml: key ")
    assert "blade_sets.w.material is missing" in message and "or coupons of your own" in message


def test_several_tables_are_searched() -> None:
    found = missing(
        refusal("[modes.flight]\nmin_pitch_deg = 8\n[modes.ground]\nrpm = [0, 100]\n[calibration.current_a]")
    )
    assert found == [
        "modes.flight.max_pitch_deg", "modes.flight.rpm", "modes.ground.min_pitch_deg", "modes.ground.max_pitch_deg",
        "calibration.current_a.unit",
    ]  # fmt: skip


def test_rows_of_a_table_are_searched() -> None:
    found = missing(refusal("[blade_sets.w]\nsections = [{ chord_m = 0.02 }, { radius_m = 0.1 }]"))
    assert found == ["blade_sets.w.sections[0].radius_m"]


def test_what_the_check_needs_is_asked_for_at_once() -> None:
    assert missing(refusal("")) == ["propeller.diameter_m", "propeller.blades", "blade_sets", "modes"]
    bare = missing(refusal("[blade_sets.w]\ntitle = 'x'"))
    assert bare[-4:] == [f"blade_sets.w.{key}" for key in ("root", "material", "mass_kg", "cg_radius_m")]


def test_sections_without_a_density_ask_for_it() -> None:
    rows = "sections = [{ radius_m = 0.03, area_m2 = 1e-4 }, { radius_m = 0.2, area_m2 = 1e-4 }]\n"
    text = f"{HEAD}[limits]\noverspeed_rpm = 4000\n[blade_sets.w]\n{rows}coupons.tension_mpa = [40, 41, 42]\n"
    assert missing(refusal(text)) == ["blade_sets.w.root", "blade_sets.w.density_kg_m3"]


def test_every_key_that_is_needed_has_an_example() -> None:
    needed = [(path, row) for path, row in declared() if row.required]
    assert len(needed) > 15
    assert not [path for path, row in needed if row.example is None]


@pytest.mark.parametrize(
    ("text", "key", "slip"),
    [
        ("[propeller]\ndiameter_m = 560", "propeller.diameter_m is 560", "560 mm would be 0.56 m"),
        ("[propeller]\ndiameter_m = 56", "propeller.diameter_m is 56", "56 cm would be 0.56 m"),
        (
            "[blade_sets.w]\nsections = [{ radius_m = 0.1, chord_m = 24 }, { radius_m = 0.2, chord_m = 0.02 }]",
            "blade_sets.w.sections row 1: chord_m is 24",
            "24 mm would be 0.024 m",
        ),
        ("[blade_sets.w]\nmass_kg = 60", "blade_sets.w.mass_kg is 60", "60 g would be 0.06 kg"),
        ("[blade_sets.w]\ndensity_kg_m3 = 1.14", "density_kg_m3 is 1.14", "1.14 g/cm3 would be 1140 kg/m3"),
        ("[blade_sets.w]\nmodulus_gpa = 3200", "modulus_gpa is 3200", "3200 MPa would be 3.2 GPa"),
        ("[motor]\nresistance_ohm = 18", "motor.resistance_ohm is 18", "18 milliohm would be 0.018 ohm"),
        ("[pack]\ncapacity_ah = 5000", "pack.capacity_ah is 5000", "5000 mAh would be 5 Ah"),
        ("[propeller]\ndiameter_m = 0.003", "propeller.diameter_m is 0.003", "expected 0.05 to 3 m"),
    ],
)  # fmt: skip
def test_what_no_propeller_has_is_refused_with_the_likely_unit(text: str, key: str, slip: str) -> None:
    message = refusal(text)
    assert key in message and slip in message and "of this class" in message


@pytest.mark.parametrize("diameter_m", [0.05, 3.0])
def test_the_ends_of_the_class_are_read(diameter_m: float) -> None:
    assert parse_rig(f"[propeller]\ndiameter_m = {diameter_m}").propeller.diameter_m == diameter_m


UNITS = {
    "m": (1e-5, 2.0), "mm": (1e-4, 100.0), "kg": (1e-4, 50.0), "kg/m": (1e-4, 20.0), "m2": (1e-8, 0.1),
    "kg m2": (1e-8, 10.0), "kg/m3": (100.0, 12_000.0), "GPa": (0.05, 500.0), "MPa": (0.05, 3000.0), "N": (0.1, 1e6),
    "N m": (1e-3, 500.0), "ohm": (1e-5, 10.0), "A": (0.01, 1000.0), "Ah": (0.05, 200.0), "rpm/V": (5.0, 20_000.0),
}  # fmt: skip


def test_every_unit_with_a_range_is_tried() -> None:
    assert set(UNITS) == set(WITHIN)


@pytest.mark.parametrize("unit", UNITS)
def test_the_range_of_a_unit_ends_where_it_says(unit: str) -> None:
    """For one key of the unit, as though it declared no range of its own: both ends, just inside and just outside."""
    row = replace(next(row for _, row in declared() if row.unit), unit=unit, within=None, watch=None)
    low, high = UNITS[unit]
    for value in (low, high, -low, -high, 0.0):
        assert not list(number_complaints("key", value, row))
    for value in (0.999 * low, 1.001 * high, -1.001 * high):
        assert len(list(number_complaints("key", value, row))) == 1


SLIPS_OF_UNITS = [
    ("m", "mm", 1e3), ("m", "cm", 1e2), ("m", "in", 39.37), ("mm", "m", 1e-3), ("mm", "um", 1e3), ("kg", "g", 1e3),
    ("kg/m", "g/m", 1e3), ("m2", "mm2", 1e6), ("m2", "cm2", 1e4), ("kg m2", "kg cm2", 1e4), ("kg m2", "g cm2", 1e7),
    ("kg m2", "kg mm2", 1e6), ("kg/m3", "g/cm3", 1e-3), ("GPa", "MPa", 1e3), ("GPa", "Pa", 1e9),
    ("GPa", "psi", 145_038.0), ("MPa", "psi", 145.038), ("MPa", "Pa", 1e6), ("MPa", "kPa", 1e3), ("MPa", "GPa", 1e-3),
    ("N", "kN", 1e-3), ("N m", "N cm", 1e2), ("N m", "N mm", 1e3), ("ohm", "milliohm", 1e3), ("A", "mA", 1e3),
    ("Ah", "mAh", 1e3),
]  # fmt: skip


def test_every_slip_is_tried() -> None:
    assert {(unit, other) for unit, other, _ in SLIPS_OF_UNITS} == {
        (unit, other) for unit, others in SLIPS.items() for other, _ in others
    }


@pytest.mark.parametrize(("unit", "other", "per_unit"), SLIPS_OF_UNITS)
def test_a_slip_is_told_by_what_it_would_be(unit: str, other: str, per_unit: float) -> None:
    """Definitions of the units."""
    assert f" {other} would be 3 {unit}" in likely_slip(3.0 * per_unit, unit, (2.999, 3.001))


COUPONS = '[blade_sets.w]\nmaterial = "moulded_nylon"\n[blade_sets.w.coupons]\n'


@pytest.mark.parametrize(
    ("values", "slip"),
    [
        ("tension_mpa = [7800, 7900, 8000]", "7800 psi would be 53.78 MPa"),
        ("tension_mpa = [54e6, 55e6, 56e6]", "5.4e+07 Pa would be 54 MPa"),
        ("tension_mpa = [54, 55, 8000]", "8000 psi would be 55.16 MPa"),
        ("tension_mpa = [0.054, 0.055, 0.056]", "0.054 GPa would be 54 MPa"),
        ("shear_mpa = [5000, 5100, 5200]", "5000 psi would be 34.47 MPa"),
        ("bearing_mpa = [9000, 9100, 9200]", "9000 psi would be 62.05 MPa"),
        ("bond_shear_mpa = [2000, 2100, 2200]", "2000 psi would be 13.79 MPa"),
    ],
)
def test_coupons_in_another_unit_are_refused(values: str, slip: str) -> None:
    message = refusal(COUPONS + values)
    assert slip in message and "MPa, a third of the lowest to three times the highest published" in message
    assert refusal(COUPONS.replace('material = "moulded_nylon"\n', "") + values).count("any material of the table") == 1


def test_coupons_are_refused_beyond_three_times_the_published_range() -> None:
    low, high = believable_mpa("tension_mpa", PUBLISHED["moulded_nylon"])
    assert (low, high) == pytest.approx((74.5 / 3.0, 94.8 * 3.0)) and FARTHEST == 3.0
    for inside in (low * 1.001, high * 0.999):
        parse_rig(COUPONS + f"tension_mpa = [{inside}, {inside}, {inside}]")
    for outside in (low * 0.999, high * 1.001):
        assert "tension_mpa holds" in refusal(COUPONS + f"tension_mpa = [{inside}, {inside}, {outside}]")


@pytest.mark.parametrize("kind", ["tension_mpa", "tension_across_mpa", "shear_mpa", "shear_across_mpa", "bearing_mpa"])
@pytest.mark.parametrize("name", PUBLISHED)
def test_no_material_takes_its_own_strength_in_psi(name: str, kind: str) -> None:
    """Wherever the range is no wider than a psi is from a MPa, psi and Pa are told apart from MPa."""
    low, high = believable_mpa(kind, PUBLISHED[name])
    middle = (low * high) ** 0.5
    assert low < middle < high < middle * 145.038 or name == "beech_graded"
    assert middle * 1e6 > high
