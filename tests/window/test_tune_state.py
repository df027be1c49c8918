"""What is shown of a speed-loop study, without a screen."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.analysis.governor import study
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.window.pages.tune_state import TuneState, tune_state


@pytest.fixture(scope="module")
def state() -> TuneState:
    drive = LinearDrive(6.0, 0.06, time_constant_s=0.3)
    steps = [
        LeverStep("throttle_us", at, change) for at, change in ((4.0, 40.0), (7.0, -40.0), (10.0, 40.0), (10.1, 40.0))
    ]
    run = record_steps({"throttle_us": drive}, steps, 13.0, np.random.default_rng(1), faults=TachFaults(5e-6, 0.3))
    return tune_state(study(run, parse_rig(example_rig_text())))


def test_every_row_fits_its_headings(state):
    assert [table.title.split()[0] for table in state.tables] == ["Steps", "Common", "Advice"]
    for table in state.tables:
        assert table.rows
        assert all(len(row) == len(table.headings) for row in table.rows)
        assert all(isinstance(cell, str) for row in table.rows for cell in row)


def test_charts_lay_the_model_over_the_measurement(state):
    chart = state.charts[0]
    measured, model = chart.lines
    assert measured.measured
    assert not model.measured
    fine = np.isfinite(measured.y)
    assert np.sqrt(np.mean((measured.y - model.y)[fine] ** 2)) < 10.0


def test_lines_say_the_outcome_first_and_the_caution_last(state):
    assert state.lines[0] == state.heading
    assert "throttle governor" in state.heading
    assert "plane of rotation" in state.lines[-1]


def test_unused_steps_are_explained(state):
    unused = [row for row in state.tables[0].rows if row[-1] == "not used"]
    assert len(unused) == sum(" s: " in line and "step at" in line for line in state.lines)


def test_no_qt_is_needed():
    """Only meaningful where nothing else has imported Qt: the state itself must not."""
    import whirlbench.window.pages.tune_state as module

    assert not any("Qt" in name for name in vars(module))
    assert "whirlbench.window.pages.tune_state" in sys.modules
