"""Blade sets in a rig file: what cannot be built is refused, and the key is named."""

from __future__ import annotations

import pytest

from whirlbench.errors import RigError
from whirlbench.rig.blade_sets import BondedRoot, ClampedRoot, TangRoot
from whirlbench.rig.toml import example_rig_text, parse_rig

HEAD = """
[propeller]
blades = 4
diameter_m = 0.56
[blade_sets.plain]
mass_kg = 0.035
cg_radius_m = 0.115
"""
TANG = {
    "kind": '"tang"',
    "hole_radius_m": "0.032",
    "width_m": "0.012",
    "thickness_m": "0.024",
    "hole_diameter_m": "0.005",
    "edge_distance_m": "0.0065",
}


def root(**changes: str) -> str:
    rows = {**TANG, **changes}
    return HEAD + "[blade_sets.plain.root]\n" + "\n".join(f"{key} = {value}" for key, value in rows.items() if value)


def sections(*rows: str) -> str:
    table = ",\n".join(f"{{ {row} }}" for row in rows)
    return f"[propeller]\ndiameter_m = 0.56\n[blade_sets.plain]\nsections = [\n{table},\n]\n"


def refusal(text: str) -> str:
    with pytest.raises(RigError) as caught:
        parse_rig(text, "stand.toml")
    message = str(caught.value)
    assert message.startswith("stand.toml: ") and "\n" not in message
    return message


def test_a_plain_set_is_read() -> None:
    blades = parse_rig(root()).blade_sets["plain"]
    assert isinstance(blades.root, TangRoot)
    assert blades.root.bolt_axis == "thickness" and blades.root.bending_at_hole == 1.0


@pytest.mark.parametrize(
    ("changes", "key", "why"),
    [
        pytest.param({"hole_diameter_m": "0.013"}, "hole_diameter_m", "wider than the tang", id="hole wider than tang"),
        pytest.param({"bolts": "3"}, "hole_diameter_m", "3 holes are wider", id="holes together wider than tang"),
        pytest.param({"edge_distance_m": "-0.002"}, "edge_distance_m", "above zero", id="negative edge distance"),
        pytest.param({"edge_distance_m": "0.0025"}, "edge_distance_m", "breaks out", id="hole breaks out of the end"),
        pytest.param({"width_m": "0.0"}, "width_m", "above zero", id="no width"),
        pytest.param({"mouth_radius_m": "0.020"}, "mouth_radius_m", "inside the hole", id="mouth inside the hole"),
        pytest.param({"neck_chord_m": "-0.02"}, "neck_chord_m", "above zero", id="negative neck"),
    ],
)
def test_impossible_tangs(changes: dict[str, str], key: str, why: str) -> None:
    message = refusal(root(**changes))
    assert f"blade_sets.plain.root.{key}" in message
    assert why in message


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("cg_radius_m = 0.30", "cg_radius_m"),
        ("cg_radius_m = 0.28", "cg_radius_m"),
        ("cg_radius_m = 0.030", "cg_radius_m"),
    ],
    ids=["centre beyond the tip", "centre at the tip", "centre inside the root"],
)
def test_a_centre_of_mass_that_cannot_be(line: str, key: str) -> None:
    assert f"blade_sets.plain.{key}" in refusal(root().replace("cg_radius_m = 0.115", line))


def test_mass_without_centre_is_refused() -> None:
    assert "blade_sets.plain.cg_radius_m is missing" in refusal(root().replace("cg_radius_m = 0.115\n", ""))


@pytest.mark.parametrize(
    ("rows", "what"),
    [
        pytest.param(
            (
                "radius_m = 0.1, chord_m = 0.03, thickness_m = 0.005",
                "radius_m = 0.05, chord_m = 0.03, thickness_m = 0.01",
            ),
            "blade_sets.plain.sections row 2: radius_m 0.05 does not come after 0.1",
            id="out of order",
        ),
        pytest.param(
            (
                "radius_m = 0.1, chord_m = 0.03, thickness_m = 0.005",
                "radius_m = 0.3, chord_m = 0.03, thickness_m = 0.01",
            ),
            "blade_sets.plain.sections: the last radius_m is 0.3, beyond the tip at 0.28",
            id="beyond the tip",
        ),
        pytest.param(
            ("radius_m = 0.1, chord_m = 0.03, thickness_m = 0.005",),
            "blade_sets.plain.sections has 1 row",
            id="one row",
        ),
        pytest.param(
            ("radius_m = 0.1, chord_m = 0.03", "radius_m = 0.2, chord_m = 0.03, thickness_m = 0.01"),
            "blade_sets.plain.sections row 1: give chord_m and thickness_m",
            id="no area",
        ),
        pytest.param(
            ("radius_m = 0.1, mass_per_length_kg_m = 0.2", "radius_m = 0.2, area_m2 = 1e-4"),
            "blade_sets.plain.sections: area_m2 must stand in every row or in none",
            id="mixed columns",
        ),
    ],
)
def test_impossible_sections(rows: tuple[str, ...], what: str) -> None:
    assert what in refusal(sections(*rows))


def test_two_coupons_are_too_few() -> None:
    text = root() + "\n[blade_sets.plain.coupons]\ntension_mpa = [40.0, 41.0]\n"
    assert "blade_sets.plain.coupons.tension_mpa has 2 specimen(s): at least 3" in refusal(text)


def test_a_fitted_set_must_exist() -> None:
    message = refusal(root().replace("blades = 4", 'blades = 4\nblade_set = "wooden"'))
    assert "propeller.blade_set is 'wooden'" in message and "plain" in message


def test_a_wrong_kind_of_value_names_the_set_it_stands_in() -> None:
    wide = root(width_m='"wide"').split("[blade_sets.plain.root]")[1]
    message = refusal(f"{root()}\n[blade_sets.other.root]{wide}")
    assert "blade_sets.other.root.width_m" in message


def test_misspelt_keys_and_unknown_roots_are_refused() -> None:
    assert "edge_distanc_m" in refusal(root(edge_distanc_m="0.01"))
    assert "kind" in refusal(root(kind='"glued"'))


def test_the_other_roots_are_read() -> None:
    clamped = parse_rig(
        HEAD + '[blade_sets.plain.root]\nkind = "clamped"\nmouth_radius_m = 0.05\nneck_chord_m = 0.02\n'
        "neck_thickness_m = 0.01\nclamped_length_m = 0.02\nclamp_force_n = 5000\n"
    )
    assert isinstance(clamped.blade_sets["plain"].root, ClampedRoot)
    bonded = parse_rig(
        HEAD + '[blade_sets.plain.root]\nkind = "bonded"\nmouth_radius_m = 0.05\nneck_chord_m = 0.02\n'
        "neck_thickness_m = 0.01\nbond_length_m = 0.03\nbond_shear_mpa = 8\n"
    )
    assert isinstance(bonded.blade_sets["plain"].root, BondedRoot)


def test_the_example_holds_the_three_sets_of_the_story() -> None:
    rig = parse_rig(example_rig_text())
    assert list(rig.blade_sets) == ["printed", "printed_thick", "moulded"]
    assert rig.propeller.blade_set == "moulded"
