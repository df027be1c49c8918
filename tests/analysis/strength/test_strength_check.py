"""The strength check on our own scenario and on small rigs: the failure story, the square-root law, what is missing."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from whirlbench.analysis.strength import StrengthCheck, check_strength
from whirlbench.analysis.strength.strength_check import air_loads
from whirlbench.errors import RigError
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig

POINT_RIG = """
[propeller]
blades = 2
diameter_m = 0.254
[air]
density_kg_m3 = 1.225
[limits]
overspeed_rpm = 8000
[blade_sets.bare]
mass_kg = 0.005
cg_radius_m = 0.060
[blade_sets.bare.root]
kind = "tang"
hole_radius_m = 0.012
width_m = 0.012
thickness_m = 0.005
hole_diameter_m = 0.004
edge_distance_m = 0.008
bending_at_hole = 0.0
[blade_sets.bare.coupons]
tension_mpa = [{tension}, {tension}, {tension}]
"""


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse_rig(example_rig_text())


@pytest.fixture(scope="module")
def check(rig: Rig) -> StrengthCheck:
    return check_strength(rig)


def design(check: StrengthCheck, name: str):  # type: ignore[no-untyped-def]
    return next(item for item in check.designs if item.name == name)


def with_root(rig: Rig, name: str, **changes: float) -> Rig:
    """The rig with some root dimensions of one set changed."""
    blades = rig.blade_sets[name]
    changed = msgspec.structs.replace(blades, root=msgspec.structs.replace(blades.root, **changes))
    return msgspec.structs.replace(rig, blade_sets={**rig.blade_sets, name: changed})


def test_the_check_is_at_the_governed_speed(check: StrengthCheck, rig: Rig) -> None:
    assert check.speed_rpm == max(mode.rpm[1] for mode in rig.modes.values())
    assert "governed speed" in check.speed_source


def test_the_shipped_rig_trips_two_percent_below_what_its_fitted_set_stands(check: StrengthCheck, rig: Rig) -> None:
    """What the strength gate asks of a rig holds for the example, with a margin, and says so without a warning."""
    assert rig.limits.overspeed_rpm is not None
    assert rig.limits.overspeed_rpm <= 0.98 * design(check, rig.propeller.blade_set).permitted_rpm
    assert max(mode.rpm[1] for mode in rig.modes.values()) < rig.limits.overspeed_rpm
    assert not any(warning.startswith(f"{rig.propeller.blade_set}:") for warning in check.warnings)


def test_the_printed_root_fails_by_shear_out_across_layers(check: StrengthCheck) -> None:
    printed = design(check, "printed")
    assert not printed.passes
    assert printed.governed_by == "shear-out across layers"
    assert printed.permitted_rpm < 0.7 * check.speed_rpm
    assert printed.mode("shear_out").reserve_factor < 1.0
    assert any("printed: NOT FIT" in warning and "shear-out across layers" in warning for warning in check.warnings)


@pytest.mark.parametrize("name", ["printed_thick", "moulded"])
def test_the_thicker_and_the_moulded_root_pass(check: StrengthCheck, name: str) -> None:
    passing = design(check, name)
    assert passing.passes
    assert passing.reserve_factor >= check.required_reserve


def test_the_printed_set_by_hand(check: StrengthCheck) -> None:
    """Shear-out of the short path with the pull of the whole blade, worked here from first principles."""
    printed = design(check, "printed")
    expected = printed.centrifugal_n / (2.0 * (0.0065 - 0.0025) * 0.024)
    assert printed.mode("shear_out").stress_pa == pytest.approx(expected, rel=1e-12)
    across = np.array([13.6, 15.1, 14.2, 12.9, 14.6, 13.8])
    bound = across.mean() - 3.006 * across.std(ddof=1)  # k of six specimens, handbook table
    allowable = 0.577 * bound * 0.80 * 0.85 * 1e6
    assert printed.mode("shear_out").allowable.value_pa == pytest.approx(allowable, rel=1e-3)
    permitted = check.speed_rpm * math.sqrt(allowable / expected / 2.0)
    assert printed.permitted_rpm == pytest.approx(permitted, rel=1e-3)


def test_the_pull_is_that_of_the_mass_outside_the_hole(check: StrengthCheck) -> None:
    for item in check.designs:
        whole = item.mass_kg * item.cg_radius_m * (2.0 * math.pi * check.speed_rpm / 60.0) ** 2
        assert 0.95 * whole < item.centrifugal_n <= whole * (1.0 + 1e-12)


def test_monte_carlo_ranks_the_sets_and_records_its_seed(check: StrengthCheck) -> None:
    chances = {name: item.exceeds_strength for name, item in check.monte_carlo.items()}  # type: ignore[union-attr]
    assert chances["printed"] > 0.5 > 0.01 > chances["printed_thick"]
    assert chances["moulded"] < 0.01
    assert {item.seed for item in check.monte_carlo.values() if item} == {20_250}


def test_relief_is_used_and_shown(check: StrengthCheck) -> None:
    loads = design(check, "moulded").loads
    assert loads.relieved_n_m is not None
    assert 0.0 < loads.relieved_n_m < loads.thrust_moment_n_m


def test_a_weighed_mass_scales_the_table_of_sections(rig: Rig, check: StrengthCheck) -> None:
    weighed = msgspec.structs.replace(rig.blade_sets["moulded"], mass_kg=0.040)
    found = check_strength(msgspec.structs.replace(rig, blade_sets={"moulded": weighed})).fitted
    drawn = design(check, "moulded")
    assert found.mass_kg == pytest.approx(0.040)
    assert found.cg_radius_m == pytest.approx(drawn.cg_radius_m)
    assert found.centrifugal_n / drawn.centrifugal_n == pytest.approx(0.040 / drawn.mass_kg)


def test_mass_centres_off_the_pitch_axis_add_twisting_moment(rig: Rig, check: StrengthCheck) -> None:
    blades = rig.blade_sets["moulded"]
    assert blades.sections is not None
    shifted = tuple(msgspec.structs.replace(row, centre_m=0.004) for row in blades.sections)
    changed = msgspec.structs.replace(blades, sections=shifted)
    found = check_strength(msgspec.structs.replace(rig, blade_sets={"moulded": changed})).fitted
    assert found.loads.twisting_n_m > 1.2 * design(check, "moulded").loads.twisting_n_m  # type: ignore[operator]


def test_moments_are_turned_into_the_necks_own_axes(check: StrengthCheck) -> None:
    """By vectors: thrust along the shaft, drag against the rotation, projected on the chord and its normal.

    The neck at 50 mm lies 4/5 of the way from the first to the second section (38 and 36 degrees); blades stand 8
    degrees coarser than the table.
    """
    loads = design(check, "moulded").loads
    angle = math.radians(38.0 + 0.8 * (36.0 - 38.0) + (22.0 - 14.0))
    moment = np.array([loads.relieved_n_m, loads.torque_moment_n_m])  # of the axial and of the tangential load
    normal, along = np.array([math.cos(angle), math.sin(angle)]), np.array([math.sin(angle), -math.cos(angle)])
    assert loads.flap_moment_n_m == pytest.approx(abs(moment @ normal), rel=1e-9)
    assert loads.edge_moment_n_m == pytest.approx(abs(moment @ along), rel=1e-9)


def test_the_neck_carries_pull_and_both_moments(check: StrengthCheck) -> None:
    item = design(check, "moulded")
    loads, chord, thickness = item.loads, 0.026, 0.012
    expected = loads.mouth_pull_n / (chord * thickness)
    expected += loads.flap_moment_n_m / (chord * thickness**2 / 6.0) + loads.edge_moment_n_m / (
        thickness * chord**2 / 6.0
    )
    assert item.mode("neck").stress_pa == pytest.approx(expected, rel=1e-12)


def test_the_layers_direction_decides(rig: Rig) -> None:
    """Without a stated direction the weakest holds everywhere, and a standing print fails by its net section too."""
    blades = rig.blade_sets["printed_thick"]
    unknown = msgspec.structs.replace(blades, layer_normal=None)
    worst = check_strength(msgspec.structs.replace(rig, blade_sets={**rig.blade_sets, "printed_thick": unknown}))
    found = design(worst, "printed_thick")
    assert found.mode("net_section").allowable.direction == "across layers"
    assert found.permitted_rpm < design(check_strength(rig), "printed_thick").permitted_rpm
    assert any("weakest direction" in line for line in worst.assumptions)


def test_a_bolt_through_the_layers_shears_them_the_strong_way(rig: Rig) -> None:
    blades = rig.blade_sets["printed"]
    turned = msgspec.structs.replace(blades, root=msgspec.structs.replace(blades.root, bolt_axis="thickness"))
    found = design(
        check_strength(msgspec.structs.replace(rig, blade_sets={**rig.blade_sets, "printed": turned})), "printed"
    )
    assert found.mode("shear_out").allowable.direction == "in the layers"
    assert found.mode("shear_out").name == "shear-out"


def test_coupons_without_a_material_are_taken_at_their_weakest() -> None:
    """Nothing is known of the layers: a third of the in-layer strength, and the assumed knock-downs on top."""
    text = POINT_RIG.format(tension=60.0)
    unknown = check_strength(parse_rig(text))
    net = unknown.fitted.mode("net_section")
    assert net is not None and net.name == "net section across layers"
    assert net.allowable.value_pa == pytest.approx(60e6 * 0.3 * 0.80 * 0.85)
    assert any("no material is named" in line for line in unknown.assumptions)
    stated = text.replace(
        "mass_kg", "layered = false\nbrittle = false\ntemperature_factor = 1.0\nmoisture_factor = 1.0\nmass_kg"
    )
    known = check_strength(parse_rig(stated)).fitted.mode("net_section")
    assert known is not None and known.name == "net section"
    assert known.allowable.value_pa == pytest.approx(60e6)


def point_check(tension: float) -> StrengthCheck:
    return check_strength(parse_rig(POINT_RIG.format(tension=tension)))


@pytest.mark.parametrize("factor", [0.25, 0.5, 0.81, 0.98])
def test_permitted_speed_falls_with_the_square_root_of_the_allowable(factor: float) -> None:
    full, weaker = point_check(100.0).fitted, point_check(100.0 * factor).fitted
    assert weaker.permitted_rpm == pytest.approx(math.sqrt(factor) * full.permitted_rpm, rel=1e-6)


def test_permitted_speed_does_not_depend_on_the_speed_asked_about() -> None:
    rig = parse_rig(POINT_RIG.format(tension=60.0))
    slow, fast = (check_strength(rig, speed_rpm=rpm).fitted.permitted_rpm for rpm in (3000.0, 9000.0))
    assert slow == pytest.approx(fast, rel=1e-9)


@pytest.mark.parametrize("asked_rpm", [1.0, 3000.0, 9000.0])
def test_permitted_speed_with_bending_does_not_depend_on_the_speed_asked_about(
    rig: Rig, check: StrengthCheck, asked_rpm: float
) -> None:
    """Blade sections are solved for: relief, and the rig's thrust limit, bend the law of speed squared."""
    other = check_strength(rig, speed_rpm=asked_rpm)
    for found, expected in zip(other.designs, check.designs, strict=True):
        assert found.permitted_rpm == pytest.approx(expected.permitted_rpm, abs=1.0)
        assert found.governed_by == expected.governed_by


def test_air_loads_grow_with_speed_squared_up_to_the_limits(check: StrengthCheck, rig: Rig) -> None:
    loads = check.air_loads
    assert loads.thrust_n(2000.0) == pytest.approx(4.0 * loads.thrust_n(1000.0))
    assert loads.thrust_n(9000.0) == rig.limits.thrust_n
    assert loads.torque_n_m(9000.0) == pytest.approx(rig.limits.power_w / (2.0 * math.pi * 150.0))  # type: ignore[operator]
    assert "limits.thrust_n" in loads.source(9000.0) and "coarse pitch" in loads.source(1000.0)


def test_saf_1_and_load_4_come_out_of_the_whole_check() -> None:
    """5 g at 60 mm and 8000 rpm: 6.3165 J (SAF-1)."""
    found = point_check(60.0)
    assert found.fitted.fragment.whole.energy_j == pytest.approx(6.316547, rel=1e-6)
    assert found.fitted.centrifugal_n == pytest.approx(0.005 * 0.060 * 837.758041**2, rel=1e-6)
    assert found.tip_mach == pytest.approx(106.395271 / 340.294, rel=1e-5)


def test_a_yawing_stand_adds_bending_at_the_neck(rig: Rig) -> None:
    stand = msgspec.structs.replace(rig.stand, can_yaw=True, yaw_rate_deg_s=60.0)
    still, yawing = check_strength(rig).fitted, check_strength(msgspec.structs.replace(rig, stand=stand)).fitted
    assert yawing.loads.gyroscopic_n_m > 0.0
    for key in ("neck", "blade"):
        assert yawing.mode(key).stress_pa > still.mode(key).stress_pa  # type: ignore[union-attr]
    assert still.fatigue.revolution_amplitude_pa is None
    by_hand = yawing.loads.gyroscopic_n_m / (0.026 * 0.012**2 / 6.0)
    assert yawing.fatigue.revolution_amplitude_pa == pytest.approx(by_hand)


def test_a_weak_servo_governs_and_is_warned_of(rig: Rig) -> None:
    weak = msgspec.structs.replace(rig, limits=msgspec.structs.replace(rig.limits, servo_torque_n_m=0.2))
    found = check_strength(weak)
    assert found.fitted.governed_by == "pitch servo torque"
    assert not found.fitted.passes
    assert any("servo" in warning for warning in found.warnings)


def test_tip_mach_can_govern(rig: Rig) -> None:
    slow = msgspec.structs.replace(rig, limits=msgspec.structs.replace(rig.limits, tip_mach=0.3))
    found = check_strength(slow)
    assert found.fitted.governed_by == "tip Mach"
    assert found.fitted.permitted_rpm * math.pi * 0.56 / 60.0 == pytest.approx(0.3 * found.air.speed_of_sound_m_s)


NECK = "mouth_radius_m = 0.02\nneck_chord_m = 0.012\nneck_thickness_m = 0.005\n"
COUPONS = "[blade_sets.bare.coupons]\ntension_mpa = [60, 60, 60]\n"


def other_root(kind: str, rows: str) -> StrengthCheck:
    text = POINT_RIG.format(tension=60.0).split("[blade_sets.bare.root]")[0]
    return check_strength(parse_rig(f'{text}[blade_sets.bare.root]\nkind = "{kind}"\n{NECK}{rows}\n{COUPONS}'))


def test_a_soft_bolt_governs_where_its_strength_is_stated() -> None:
    rows = "bending_at_hole = 0.0\nbolt_strength_mpa = 40.0\nbolt_diameter_m = 0.0032\n"
    text = POINT_RIG.format(tension=90.0).replace("bending_at_hole = 0.0\n", rows)
    found = check_strength(parse_rig(text.replace("mass_kg", "layered = false\nmass_kg"))).fitted
    bolt = found.mode("bolt")
    assert bolt is not None and bolt.name == "shear of the bolt" and found.governed_by == "bending of the bolt"
    assert bolt.stress_pa == pytest.approx(found.centrifugal_n / (2.0 * math.pi * 0.0016**2))
    assert point_check(90.0).fitted.mode("bolt") is None


def test_a_clamped_root_slips() -> None:
    found = other_root("clamped", "clamped_length_m = 0.012\nclamp_force_n = 1200\nfriction = 0.2").fitted
    slip = found.mode("slip")
    assert slip is not None and found.governed_by == slip.name == "slip out of the clamp"
    assert slip.reserve_factor == pytest.approx(0.5 * 2 * 0.2 * 1200 / found.centrifugal_n)  # half the force is kept


def test_a_clamp_that_crushes_the_root_forbids_every_speed() -> None:
    found = other_root("clamped", "clamped_length_m = 0.012\nclamp_force_n = 12000\nfriction = 0.2").fitted
    assert found.governed_by == "crushing in the clamp across layers"
    assert found.permitted_rpm == 0.0


def test_a_bonded_root_shears() -> None:
    found = other_root("bonded", "bond_length_m = 0.012\nbond_shear_mpa = 2").fitted
    bond = found.mode("bond")
    assert bond is not None and found.governed_by == bond.name == "shear of the glue line"
    assert bond.stress_pa == pytest.approx(found.centrifugal_n / (2 * 0.017 * 0.012))


def shank(rows: str) -> StrengthCheck:
    text = POINT_RIG.format(tension=60.0).split("[blade_sets.bare.root]")[0]
    root = f'kind = "shank"\nmouth_radius_m = 0.02\nshank_diameter_m = 0.010\nengaged_length_m = 0.012\n{rows}\n'
    return check_strength(parse_rig(f"{text}[blade_sets.bare.root]\n{root}{COUPONS}"))


def test_a_threaded_shank_is_judged_at_its_core_and_its_threads() -> None:
    found = shank("thread_pitch_m = 0.0015").fitted
    core_m2 = math.pi * (0.010 - 1.2269 * 0.0015) ** 2 / 4.0
    neck, peak = found.mode("neck"), found.mode("thread_peak")
    assert neck is not None and peak is not None
    assert neck.stress_pa == pytest.approx(found.loads.mouth_pull_n / core_m2)
    assert peak.stress_pa == pytest.approx(2.8 * neck.stress_pa) and peak.judged
    stripped = found.mode("thread")
    assert stripped is not None
    minor_m = 0.010 - 1.0825 * 0.0015
    assert stripped.stress_pa == pytest.approx(found.centrifugal_n / (0.75 * math.pi * minor_m * 0.012))


def test_a_glued_shank_shears() -> None:
    bond = shank("bond_shear_mpa = 2").fitted.mode("bond")
    assert bond is not None
    assert bond.stress_pa == pytest.approx(0.005 * 0.060 * 837.758041**2 / (math.pi * 0.010 * 0.012), rel=1e-6)


def test_yardsticks_are_labelled(check: StrengthCheck) -> None:
    assert all("borrowed" in item.label for item in check.yardsticks)
    first = check.yardsticks[0]
    assert first.speed_rpm == pytest.approx(math.sqrt(2.0) * check.speed_rpm)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("[propeller]\nblades = 2\n", "propeller.diameter_m"),
        ("[propeller]\nblades = 2\ndiameter_m = 0.3\n", "blade_sets"),
        (POINT_RIG.format(tension=50.0).replace("[limits]\noverspeed_rpm = 8000\n", ""), "modes"),
        (POINT_RIG.format(tension=50.0).replace("blades = 2\n", ""), "propeller.blades"),
        (POINT_RIG.split("[blade_sets.bare.coupons]")[0], "blade_sets.bare.material"),
        (POINT_RIG.split("[blade_sets.bare.root]")[0], "blade_sets.bare.root"),
    ],
)
def test_a_missing_key_is_named(text: str, key: str) -> None:
    with pytest.raises(RigError, match=key.replace(".", r"\.")):
        check_strength(parse_rig(text))


def test_an_unknown_material_lists_the_known_ones() -> None:
    text = POINT_RIG.format(tension=50.0).replace("mass_kg = 0.005", 'mass_kg = 0.005\nmaterial = "balsa"')
    with pytest.raises(RigError, match=r"blade_sets\.bare\.material is 'balsa'.*printed_pla"):
        check_strength(parse_rig(text))


def test_coupons_that_scatter_too_much_claim_no_strength() -> None:
    text = POINT_RIG.format(tension=50.0).replace("[50.0, 50.0, 50.0]", "[20.0, 50.0, 80.0]")
    with pytest.raises(RigError, match=r"coupons\.tension_mpa.*test more"):
        check_strength(parse_rig(text))


def test_a_set_that_lacks_a_key_is_left_out_and_named(rig: Rig) -> None:
    bare = msgspec.structs.replace(rig.blade_sets["printed"], root=None)
    found = check_strength(msgspec.structs.replace(rig, blade_sets={**rig.blade_sets, "printed": bare}))
    assert [name for name, _ in found.left_out] == ["printed"]
    assert "blade_sets.printed.root" in found.left_out[0][1]


def test_several_sets_need_to_know_which_is_fitted(rig: Rig) -> None:
    unknown = msgspec.structs.replace(rig, propeller=msgspec.structs.replace(rig.propeller, blade_set=None))
    with pytest.raises(RigError, match=r"propeller\.blade_set.*printed"):
        check_strength(unknown)


def test_a_larger_hole_or_a_shorter_edge_never_permits_more(rig: Rig) -> None:
    base = design(check_strength(rig), "printed").permitted_rpm
    for changes in (
        {"edge_distance_m": 0.0062},
        {"hole_diameter_m": 0.00499, "thickness_m": 0.022},
        {"thickness_m": 0.020},
    ):
        assert design(check_strength(with_root(rig, "printed", **changes)), "printed").permitted_rpm < base


def test_friction_of_a_tightened_bolt_is_said_to_carry_nothing(check: StrengthCheck) -> None:
    said = [text for text in check.assumptions if "friction of a tightened bolt carries nothing" in text]
    assert [text.partition(":")[0] for text in said] == [one.name for one in check.designs]


def test_the_motor_s_torque_reaches_the_blades_through_the_gear() -> None:
    rig = parse_rig(example_rig_text())
    assert rig.motor.gear_ratio > 1.0
    assert air_loads(rig, None, 1.2).torque_limit_n_m == rig.limits.motor_torque_n_m * rig.motor.gear_ratio
