"""The curves of a replay: every sample from the first on, and vibration as the trip and its margin have it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from whirlbench.rig.description import Calibration, Rig, Vibration
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run, SlowSamples, VibrationSamples
from whirlbench.window import shown_units
from whirlbench.window.drawing.strips import Replay
from whirlbench.window.replay.time_span import TimeSpan
from whirlbench.window.replay.traces import Trace, traces

RIG = parse_rig(example_rig_text())


def run() -> Run:
    slow_s, sine_s = np.arange(0.0, 40.0, 0.01), np.arange(0.0, 40.0, 1 / 1600)
    rng = np.random.default_rng(2)
    return Run(
        SlowSamples(
            slow_s, rpm=3000.0 + rng.normal(0.0, 5.0, len(slow_s)), speed_request_rpm=np.full(len(slow_s), 3e3)
        ),
        vibration=VibrationSamples(sine_s, ay_g=rng.normal(0.0, 0.5, len(sine_s)), rate_hz=1600.0),
    )


def trace(name: str) -> Trace:
    return next(one for one in traces(run(), RIG) if one.channel.name == name)


def test_what_was_recorded_has_a_curve_and_nothing_else_has() -> None:
    assert [one.channel.name for one in traces(run(), RIG)] == ["rpm", "vibration_g_rms", "ay_g"]
    assert traces(Run(), RIG) == ()
    behind = trace("rpm").behind
    assert behind is not None and behind.channel.name == "speed_request_rpm"


@pytest.mark.parametrize("columns", [37, 400, 1900])
def test_the_first_and_the_last_sample_are_drawn_at_every_width(columns: int) -> None:
    one = trace("rpm")
    shown = one.seen(0.0, 39.99, columns)
    assert shown.x[0] == one.time_s[0] and shown.x[-1] == one.time_s[-1]
    assert np.nanmax(shown.y) == one.values.max() and np.nanmin(shown.y) == one.values.min()


def test_closer_means_reduced_anew_down_to_single_samples() -> None:
    one = trace("ay_g")
    wide, close = one.seen(0.0, 40.0, 500), one.seen(20.0, 20.02, 500)
    assert len(wide.x) <= 1004
    inside = (one.time_s >= 20.0) & (one.time_s <= 20.02)
    assert np.isin(one.time_s[inside], close.x).all() and np.isin(one.values[inside], close.y).all()


def test_strip_and_margin_of_vibration_are_one_quantity() -> None:
    held, drawn = Replay(run(), RIG, 0.0), trace("vibration_g_rms")
    assert drawn.limit == RIG.limits.vibration_g_rms and drawn.unit == "g rms"
    for at_s in (0.5, 17.3, 39.9):
        margin = next(one for one in held.moved_to(at_s).margins() if one.label == "vibration")
        assert margin.value == drawn.at(at_s) == pytest.approx(0.5, abs=0.2)
    assert math.isnan(drawn.at(0.0))  # no window is whole yet


def test_names_and_units_are_those_of_people() -> None:
    slow_s = np.arange(0.0, 1.0, 0.01)
    filled = {name: np.ones(len(slow_s)) for name in ("rpm", "thrust_n", "throttle_us", "pitch_deg", "servo_us")}
    told = [f"{one.name} {one.unit}" for one in traces(Run(SlowSamples(slow_s, **filled)), RIG)]
    assert told == ["speed rpm", "thrust N", "throttle pulse µs", "blade angle °", "servo pulse µs"]


def test_a_zoom_keeps_its_place_and_stays_in_the_run() -> None:
    span = TimeSpan.of_all(2.0, 62.0)
    close = span.zoomed(20.0, 0.1)
    assert close.length_s == pytest.approx(6.0)
    assert (20.0 - close.from_s) / close.length_s == pytest.approx((20.0 - 2.0) / 60.0)
    for _ in range(100):
        close = close.zoomed(20.0, 0.5)
    assert 0.0 < close.length_s <= 1e-4 and close.from_s <= 20.0 <= close.to_s
    assert close.moved(1e9).to_s == 62.0 and close.moved(-1e9).from_s == 2.0
    assert close.zoomed(61.0, 1e12).is_whole and close.whole() == span
    assert span.between(9.0, 4.0) == TimeSpan(2.0, 62.0, 4.0, 9.0)
    assert close.showing(50.0).from_s <= 50.0 <= close.showing(50.0).to_s


def test_a_reading_tells_its_error_and_what_lies_beyond_the_calibration_in_the_units_shown() -> None:
    cell = Calibration(unit="N", units_per_count=0.1, stderr_zero=2.0, span=(0.0, 40.0))
    rig = Rig(calibration={"thrust_n": cell}, vibration=Vibration(stderr_pct=10.0))
    time_s = np.arange(0.0, 4.0, 0.01)
    pulled = Run(
        SlowSamples(time_s, thrust_n=np.full(400, 30.0), throttle_us=np.full(400, 1500.0)), vibration=run().vibration
    )

    def doubts() -> dict[str, tuple[str, str]]:
        return {one.channel.name: (one.doubt(30.0), one.doubt(60.0)) for one in traces(pulled, rig)}

    assert doubts()["thrust_n"] == ("± 2", "± 2 prolonged")
    assert doubts()["vibration_g_rms"][0] == doubts()["ay_g"][0] == "± 3"
    assert doubts()["throttle_us"] == ("", "")
    shown_units.choose("force", "lbf")
    try:
        assert doubts()["thrust_n"] == ("± 0.45 prolonged", "± 0.45 prolonged")  # 30 lbf are 133 N
    finally:
        shown_units.choose("force", "N")
