"""Each fault shows the signature the trade knows of it, when it should and not before."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.simulator.runs import simulate_run
from whirlbench.simulator.stand import Effects, Fault, Plant, PlantSettings, Schedule, SetPoint, StateHistory, faults
from whirlbench.simulator.stand.faults import FaultList

HOLD = Schedule((SetPoint(0.5, throttle_us=1480, pitch_deg=12.0, ramp_s=1.0),), 12.0)


def spin(settings, *what: Fault, seconds: float = 12.0, vibration_rate_hz: float = 0.0):
    schedule = Schedule(HOLD.points, seconds)
    return simulate_run(settings, schedule, np.random.default_rng(6), what, vibration_rate_hz=vibration_rate_hz)


def history(settings, *what: Fault, seconds: float = 12.0) -> np.ndarray:
    plant = Plant(settings, np.random.default_rng(6), what, keep=True)
    plant.advance(seconds, 1480, 1533)
    return plant.history.rows()


def shaken(run, from_s: float, to_s: float) -> float:
    part = run.between(from_s, to_s).vibration
    return float(np.hypot(np.std(part.ay_g), np.std(part.az_g)))


def test_severity_grows_in_a_straight_line_and_stops():
    fault = faults.AddedUnbalance(2.0, 4.0)
    assert fault.severity(np.array([0.0, 2.0, 4.0, 6.0, 9.0])).tolist() == [0.0, 0.0, 0.5, 1.0, 1.0]
    assert faults.LostTach(2.0).severity(1.999) == 0.0 and faults.LostTach(2.0).severity(2.0) == 1.0


@pytest.mark.parametrize(
    "kind", [item for item in vars(faults).values() if isinstance(item, type) and issubclass(item, Fault)]
)
def test_nothing_shows_before_the_start(kind):
    if kind is Fault:
        with pytest.raises(NotImplementedError):
            Fault(0.0).apply(Effects(), 1.0)
        return
    assert FaultList((kind(5.0),)).at(4.99) == Effects()


def test_an_instant_and_many_agree():
    crack = faults.RootCrack(2.0, 10.0)
    times = np.array([1.0, 5.0, 11.9, 12.1])
    many = FaultList((crack,)).over(times)
    for index, time_s in enumerate(times):
        one = FaultList((crack,)).at(float(time_s))
        assert one.unbalance_g_mm == pytest.approx(many.unbalance_g_mm[index])
        assert one.blades_lost == many.blades_lost[index]


def test_blade_loss_shakes_at_once_and_takes_its_share_of_thrust(calm):
    run = spin(calm, faults.BladeLoss(8.0), vibration_rate_hz=1600.0)
    assert shaken(run, 8.1, 8.6) > 10.0 * shaken(run, 7.0, 7.9)
    rows = history(calm, faults.BladeLoss(8.0))
    before, after = rows[7990], rows[8012]
    assert after[StateHistory.THRUST] / before[StateHistory.THRUST] == pytest.approx(0.75, abs=0.02)
    assert rows[-1, StateHistory.SPEED] > 1.005 * before[StateHistory.SPEED]  # a stiff drive: the current tells more
    assert rows[-1, StateHistory.CURRENT] < 0.85 * before[StateHistory.CURRENT]


def test_root_crack_grows_into_a_blade_loss(calm):
    run = spin(calm, faults.RootCrack(3.0, 6.0, angle_deg=65.0), vibration_rate_hz=1600.0)
    early, middle, late, lost = (shaken(run, at, at + 0.5) for at in (2.4, 6.0, 8.4, 9.2))
    assert early < middle < late < lost and late > 2.0 * early and lost > 5.0 * late


def test_added_unbalance_sits_where_it_is_said_to(calm):
    opposite = (calm.stand.unbalance_deg + 180.0) % 360.0
    weight = faults.AddedUnbalance(0.0, unbalance_g_mm=calm.stand.unbalance_g_mm, angle_deg=opposite)
    plain, balanced = (spin(calm, *what, vibration_rate_hz=1600.0) for what in ((), (weight,)))
    assert shaken(balanced, 8.0, 12.0) < 0.6 * shaken(plain, 8.0, 12.0)


def test_loose_link_lets_the_blades_to_fine_and_the_speed_up(calm):
    plain, loose = history(calm), history(calm, faults.LoosePitchLink(5.0, 4.0, play_deg=6.0))
    assert loose[-1, StateHistory.PITCH] == pytest.approx(plain[-1, StateHistory.PITCH] - 6.0, abs=2.0)
    assert loose[-1, StateHistory.SPEED] > 1.01 * plain[-1, StateHistory.SPEED]
    assert loose[-1, StateHistory.CURRENT] < 0.7 * plain[-1, StateHistory.CURRENT]
    assert np.array_equal(loose[:5000], plain[:5000])
    seen = spin(calm, faults.LoosePitchLink(5.0, 4.0)).slow.pitch_deg
    assert np.abs(seen[-500:].mean() - seen[2000:2400].mean()) < 0.05  # the servo's potentiometer knows nothing of it
    assert np.std(loose[9500:, StateHistory.PITCH]) > 10.0 * np.std(plain[9500:, StateHistory.PITCH]) + 0.1


def test_hunting_swings_the_speed_at_its_frequency(calm):
    slow = spin(calm, faults.GovernorHunting(4.0, 2.0, frequency_hz=1.5)).slow
    late = slow.rpm[-2000:] - slow.rpm[-2000:].mean()
    spectrum = np.abs(np.fft.rfft(late * np.hanning(len(late))))
    assert np.fft.rfftfreq(len(late), 0.002)[np.argmax(spectrum)] == pytest.approx(1.5, abs=0.26)
    assert np.std(late) > 20.0 * np.std(slow.rpm[1500:1990] - slow.rpm[1500:1990].mean()) / 3.0


def test_an_eager_governor_hunts_by_itself(governed_rig):
    settings = PlantSettings.from_rig(governed_rig)
    points = (SetPoint(0.5, request_rpm=3600, pitch_deg=10.0, ramp_s=2.0),)
    hunting = faults.GovernorHunting(6.0, 4.0)
    slow = simulate_run(
        settings, Schedule(points, 16.0), np.random.default_rng(2), (hunting,), vibration_rate_hz=0.0
    ).slow
    before, after = slow.rpm[2000:3000], slow.rpm[-1500:]
    assert np.std(before) < 5.0 < 40.0 < np.std(after)
    assert after.mean() == pytest.approx(3600.0, rel=0.05)


def test_runaway_drives_until_the_pulse_is_safe(calm):
    plant = Plant(calm, np.random.default_rng(1), (faults.Runaway(3.0, 1.0),))
    plant.advance(3.0, 1300, 1200)
    before = plant.state.rpm
    plant.advance(6.0, 1300, 1200)
    assert plant.state.duty == pytest.approx(1.0) and plant.state.rpm > 2.0 * before
    plant.advance(6.1, 1000, 1200)
    assert plant.state.duty == 0.0


def test_lost_tach_loses_the_pulses_and_not_the_rotor(calm):
    run = spin(calm, faults.LostTach(6.0))
    assert 5.97 < run.tach.time_s[-1] < 6.02
    assert run.slow.rpm[-1] == 0.0 and run.slow.thrust_n[-1] > 20.0


def test_missed_pulses_are_missed_in_their_share(calm):
    whole, holed = spin(calm), spin(calm, faults.MissedPulses(4.0, share=0.2))
    late_whole, late_holed = (np.count_nonzero(run.tach.time_s > 4.0) for run in (whole, holed))
    assert late_holed / late_whole == pytest.approx(0.8, abs=0.06)
    halved = np.abs(holed.slow.rpm[-1500:] / whole.slow.rpm[-1500:] - 0.5) < 0.01
    assert 0.1 < halved.mean() < 0.4


def test_stuck_servo_stays(calm):
    plant = Plant(calm, np.random.default_rng(1), (faults.StuckServo(2.0),))
    plant.advance(2.0, 1000, 1400)
    plant.advance(4.0, 1000, 1800)
    assert plant.state.servo_position_us == pytest.approx(1400.0, abs=0.5)


def test_loose_sensor_rattles(calm):
    run = spin(calm, faults.LooseSensor(4.0, 2.0), vibration_rate_hz=1600.0)
    firm, loose = (run.between(*span).vibration.az_g for span in ((2.5, 4.0), (8.0, 12.0)))
    crest = [np.abs(part - part.mean()).max() / np.std(part) for part in (firm, loose)]
    assert crest[1] > 1.5 * crest[0]


def test_supply_dip_is_short(settings):
    dip = FaultList((faults.SupplyDip(2.0, duration_s=0.05),))
    assert [dip.at(time_s).supply_down for time_s in (1.99, 2.0, 2.04, 2.06)] == [False, True, True, False]


def test_faults_add_up():
    pair = FaultList(
        (faults.AddedUnbalance(0.0, unbalance_g_mm=3.0), faults.AddedUnbalance(0.0, unbalance_g_mm=4.0, angle_deg=90.0))
    )
    assert abs(pair.at(1.0).unbalance_g_mm) == pytest.approx(5.0)


def test_settings_that_lack_a_key_name_it():
    from whirlbench.errors import RigError
    from whirlbench.rig.toml import parse_rig

    with pytest.raises(RigError, match="propeller.diameter_m"):
        PlantSettings.from_rig(parse_rig("[propeller]\nblades = 4\n"))
