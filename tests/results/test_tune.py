"""A study of the speed loop in words."""

from __future__ import annotations

import numpy as np
import pytest
from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.results.answer import NONE, Answer, Level, Verdict
from whirlbench.results.tune import study, tune_answer
from whirlbench.rig.toml import example_rig_text, parse_rig


@pytest.fixture(scope="module")
def answer() -> Answer:
    drive = LinearDrive(6.0, 0.06, time_constant_s=0.3)
    steps = [
        LeverStep("throttle_us", at, change) for at, change in ((4.0, 40.0), (7.0, -40.0), (10.0, 40.0), (10.7, 40.0))
    ]
    run = record_steps({"throttle_us": drive}, steps, 13.0, np.random.default_rng(1), faults=TachFaults(5e-6, 0.3))
    rig = parse_rig(example_rig_text())
    return tune_answer(study(run, rig), run, rig)


def test_every_row_fits_its_headings(answer: Answer) -> None:
    assert [table.key for table in answer.tables] == ["steps", "models", "advice"]
    for table in answer.tables:
        assert table.rows
        assert all(len(row) == len(table.columns) for row in table.rows)
        assert all(isinstance(cell, str) for row in table.rows for cell in row)


def test_charts_lay_the_model_over_the_measurement(answer: Answer) -> None:
    measured, model = answer.chart("step 1").curves
    assert (measured.ink, model.ink) == ("measured", "model")
    fine = np.isfinite(measured.y)
    assert np.sqrt(np.mean((measured.y - model.y)[fine] ** 2)) < 10.0


def test_the_headline_says_the_outcome_and_a_caution_how_to_load_gains(answer: Answer) -> None:
    assert "throttle governor: kp" in answer.headline
    assert any(remark.level is Level.CAUTION and "plane of rotation" in remark.text for remark in answer.remarks)
    assert answer.plan is not None and answer.plan.text


def test_unused_steps_are_explained_and_carry_no_figure(answer: Answer) -> None:
    unused = [row for row in answer.table("steps").rows if row[-1] == "not used"]
    assert len(unused) == sum(" step at " in item.what for item in answer.not_judged) > 0
    assert all(set(row[2:-1]) == {NONE} for row in unused)
    assert answer.verdict is Verdict.IN_PART


def test_forecasts_come_with_the_doubt_about_them(answer: Answer) -> None:
    chart = answer.chart("forecast request")
    assert np.all(chart.bands[0].low <= chart.bands[0].high + 1e-9)
