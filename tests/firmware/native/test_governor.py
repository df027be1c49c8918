"""The sketch's governor law equals its Python twin bit by bit, also at the ends of every range."""

from __future__ import annotations

import native_core
from hypothesis import given, settings
from hypothesis import strategies as st

from whirlbench.physics.governor_law import GAIN_LIMIT, Law, Settings, push_q32, slew_q32, speed_rpm

U16 = st.integers(0, 0xFFFF)
GAIN = st.one_of(st.integers(-GAIN_LIMIT, GAIN_LIMIT), st.integers(-20_000, 20_000))
PULSE = st.integers(800, 2400)
STEPS = st.lists(
    st.tuples(U16, st.one_of(st.just(0), st.integers(2_000, 60_000), st.integers(0, 2**32 - 1)), st.booleans()),
    min_size=1,
    max_size=150,
)


@st.composite
def settings_of_any_output(draw: st.DrawFn) -> Settings:
    low, high = draw(PULSE), draw(PULSE)
    return Settings(
        kp=draw(GAIN),
        push=push_q32(draw(GAIN)),
        min_us=low,
        max_us=high,  # also below the minimum: both twins then end at the maximum
        rise=slew_q32(draw(U16)),
        fall=slew_q32(draw(U16)),
        falls_without_speed=draw(st.booleans()),
    )


@given(settings_of_any_output(), settings_of_any_output(), PULSE, st.integers(1, 60), STEPS)
@settings(max_examples=300)
def test_every_step_is_the_same_to_the_last_bit(
    first: Settings, second: Settings, start_us: int, pulses_per_rev: int, steps: list[tuple[int, int, bool]]
) -> None:
    ours, twin = native_core.GovernorLaw(start_us), Law()
    twin.engage(start_us)
    for place, (request_rpm, period_ticks, changes) in enumerate(steps):
        chosen = first if place < len(steps) // 2 else second
        if changes:
            ours.call("rejoin")
            twin.rejoin()
        pulse_us = ours.call("step", *chosen, request_rpm, period_ticks, pulses_per_rev)
        assert pulse_us == twin.step(chosen, request_rpm, period_ticks, pulses_per_rev)
        assert ours.call("output_q32") == twin.output_q32
        assert ours.call("integral_q32") == twin.integral_q32


@given(st.integers(0, 2**32 - 1), st.integers(0, 255))
@settings(max_examples=500)
def test_speed_from_period_is_the_same(period_ticks: int, pulses_per_rev: int) -> None:
    _, lib = native_core.library()
    assert lib.governor_speed_rpm(period_ticks, pulses_per_rev) == speed_rpm(period_ticks, pulses_per_rev)


@given(GAIN, U16)
@settings(max_examples=300)
def test_step_sizes_are_the_same(ki: int, slew: int) -> None:
    _, lib = native_core.library()
    assert lib.governor_push_q32(ki) == push_q32(ki)
    assert lib.governor_slew_q32(slew) == slew_q32(slew)
