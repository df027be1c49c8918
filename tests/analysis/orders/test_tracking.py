"""Orders against runs whose phasors are known by construction."""

from dataclasses import replace

import numpy as np
import pytest

from whirlbench.analysis.orders import FrameGrid, track_orders
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run, TachPulses


def hold(_):
    return np.full_like(_, 4500.0)


def ramp(time_s):
    return 2000.0 + 150.0 * time_s


@pytest.mark.parametrize("rpm", [hold, ramp])
def test_amplitude_and_phase_are_recovered_in_holds_and_ramps(make_run, rpm):
    truth = {1: 0.5 * np.exp(0.7j), 2: 0.2 * np.exp(-2.0j), 4: 0.3 * np.exp(1.9j)}
    tracks = track_orders(make_run(rpm, 20.0, truth))
    for order, phasor in truth.items():
        found = tracks.phasor("ay_g", order)[2:-2]
        assert np.allclose(found, phasor, atol=4e-3), order
    for order in (3, 5, 6):
        assert np.nanmax(np.abs(tracks.phasor("ay_g", order)[2:-2])) < 4e-3


def test_product_sums_are_those_of_every_pair_written_out():
    rng = np.random.default_rng(8)
    time_s = np.sort(rng.uniform(0.0, 9.0, 4000))
    time_s = time_s[(time_s < 3.1) | (time_s > 4.4)]  # a gap that leaves steps without a sample
    ones = (rng.standard_normal((3, len(time_s))) + 1j * rng.standard_normal((3, len(time_s)))).astype(np.complex64)
    others = rng.standard_normal((2, len(time_s))).astype(np.float32)
    grid = FrameGrid(time_s, 0.25)
    found = grid.product_sums(lambda part: (ones[:, part], others[:, part]), (3, 2))
    for frame, centre_s in enumerate(grid.time_s):
        away = np.abs(time_s - centre_s)
        window = np.where(away < 0.25, np.cos(np.pi / 2 * away / 0.25) ** 2, 0.0)
        assert np.allclose(found[:, :, frame], (window * ones) @ others.T, atol=2e-3)


def test_noise_scatter_is_what_a_hann_window_predicts(make_run):
    run = make_run(hold, 120.0, {1: 0.5}, noise_g=0.2, rng=np.random.default_rng(3))
    found = track_orders(run, (1,)).phasor("ay_g", 1)
    # variance of each part = 2 sigma^2 * 1.5 / N for a Hann window of N samples (any DSP text)
    assert np.std(found.real) == pytest.approx(np.sqrt(2 * 0.04 * 1.5 / 800), rel=0.12)


def test_missed_and_extra_pulses_are_mended(make_run):
    run = make_run(ramp, 20.0, {1: 0.5, 4: 0.3j})
    pulses = np.delete(run.tach.time_s, [100, 250, 400])
    pulses = np.sort(np.append(pulses, run.tach.time_s[300] + 0.004))
    tracks = track_orders(replace(run, tach=TachPulses(pulses)))
    assert np.allclose(tracks.phasor("ay_g", 1)[2:-2], 0.5, atol=0.01)
    assert np.allclose(tracks.phasor("ay_g", 4)[2:-2], 0.3j, atol=0.02)


def test_two_pulses_a_turn_give_the_same_amplitudes(make_run):
    run = make_run(hold, 10.0, {1: 0.5, 2: 0.2})
    period = np.diff(run.tach.time_s)
    both = np.sort(np.append(run.tach.time_s, run.tach.time_s[:-1] + period / 2))
    tracks = track_orders(replace(run, tach=TachPulses(both, pulses_per_rev=2)))
    assert not tracks.marked
    assert np.allclose(np.abs(tracks.phasor("ay_g", 1)[2:-2]), 0.5, atol=4e-3)


def test_without_tach_the_speed_channel_gives_amplitudes(make_run):
    tracks = track_orders(replace(make_run(ramp, 20.0, {1: 0.5}), tach=TachPulses()))
    assert not tracks.marked
    assert np.allclose(np.abs(tracks.phasor("ay_g", 1)[2:-2]), 0.5, atol=0.01)


def test_lost_samples_and_lost_tach_leave_gaps_not_guesses(make_run):
    run = make_run(hold, 20.0, {1: 0.5})
    kept = (run.vibration.time_s < 5) | (run.vibration.time_s > 7)
    vibration = replace(
        run.vibration,
        time_s=run.vibration.time_s[kept],
        **{axis: getattr(run.vibration, axis)[kept] for axis in ("ax_g", "ay_g", "az_g")},
    )
    pulses = run.tach.time_s[(run.tach.time_s < 12) | (run.tach.time_s > 15)]
    tracks = track_orders(replace(run, vibration=vibration, tach=TachPulses(pulses)))
    first = np.abs(tracks.phasor("ay_g", 1))
    inside = ((tracks.time_s > 5.3) & (tracks.time_s < 6.7)) | ((tracks.time_s > 12.3) & (tracks.time_s < 14.7))
    assert np.isnan(first[inside]).all()
    good = np.isfinite(first)
    assert np.allclose(first[good][2:-2], 0.5, atol=0.01)
    assert good.sum() > 50


def test_orders_out_of_reach_are_not_reported(make_run):
    tracks = track_orders(make_run(lambda t: np.full_like(t, 6000.0), 5.0, {1: 0.5}))
    assert np.isnan(tracks.phasor("ay_g", 8)).all()  # 800 Hz at 1600 samples/s
    assert np.isfinite(tracks.phasor("ay_g", 7)).any()
    slow = track_orders(make_run(lambda t: np.full_like(t, 200.0), 5.0, {1: 0.5}))
    assert np.isnan(slow.phasor("ay_g", 1)).all()


def test_residual_is_what_orders_do_not_explain(make_run):
    run = make_run(hold, 30.0, {1: 0.5, 3: 0.4}, noise_g=0.1)
    residual = track_orders(run).residual_rms_g("ay_g")
    assert np.nanmedian(residual) == pytest.approx(0.1, rel=0.05)


def test_missing_streams_are_refused_by_name(make_run):
    run = make_run(hold, 5.0, {1: 0.5})
    with pytest.raises(AnalysisError, match="no vibration"):
        track_orders(replace(run, vibration=Run().vibration))
    with pytest.raises(AnalysisError, match="neither tach pulses nor an rpm channel"):
        track_orders(replace(run, tach=TachPulses(), slow=Run().slow))


def test_a_run_shorter_than_a_frame_gives_no_frames():
    assert len(FrameGrid(np.arange(0, 0.3, 1 / 1600), 0.25).time_s) == 0
    assert len(FrameGrid(np.empty(0), 0.25).time_s) == 0
