"""A spectrum in words: orders where the speed was steady, and where it was not, that is said."""

from __future__ import annotations

import numpy as np

from whirlbench.results.answer import Verdict
from whirlbench.results.vibration import spectrum_answer
from whirlbench.samples import Run, SlowSamples, VibrationSamples


def spun(rpm: np.ndarray | None) -> Run:
    time_s = np.arange(0.0, 8.0, 1 / 1600)
    vibration = VibrationSamples(time_s, ay_g=0.4 * np.sin(2 * np.pi * 100.0 * time_s), rate_hz=1600.0)
    slow_s = np.arange(0.0, 8.0, 0.02)
    return Run(SlowSamples(slow_s, rpm=None if rpm is None else np.resize(rpm, len(slow_s))), vibration=vibration)


def test_at_a_steady_speed_lines_have_orders() -> None:
    answer = spectrum_answer(spun(np.array([3000.0])))
    assert answer.verdict is Verdict.JUDGED
    assert answer.headline.startswith("highest line at 100.0 Hz, order 2.00: 0.4 g peak, vibration along y")
    assert answer.table("lines").rows[0] == ("vibration along y", "100.0", "2.00", "0.4")
    assert [line.label for line in answer.chart("spectrum").lines] == ["1P", "2P", "3P", "4P"]
    assert [line.at for line in answer.chart("spectrum").lines] == [50.0, 100.0, 150.0, 200.0]


def test_at_a_speed_that_moves_they_have_none_and_that_is_said() -> None:
    answer = spectrum_answer(spun(np.linspace(2900.0, 3100.0, 400)))
    assert answer.verdict is Verdict.IN_PART and "the speed moves by 6 %" in answer.not_judged[0].text
    assert answer.table("lines").rows[0][2] == "–" and answer.chart("spectrum").lines == ()


def test_without_speed_or_vibration_nothing_is_guessed() -> None:
    assert "no turning shaft" in spectrum_answer(spun(None)).not_judged[0].text
    assert spectrum_answer(spun(np.array([0.0]))).table("lines").rows[0][2] == "–"
    nothing = spectrum_answer(Run())
    assert nothing.verdict is Verdict.NOT_JUDGED and "no vibration was recorded" in nothing.not_judged[0].text
