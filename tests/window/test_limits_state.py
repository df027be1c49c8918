"""What the window shows of pitch limits, without Qt."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import numpy as np
import page_runs
import pytest
from msgspec.structs import replace

from whirlbench.analysis.pitch_limits import NextHold, end_points
from whirlbench.errors import AnalysisError, RigError
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run, SlowSamples
from whirlbench.session.plan.steps import parse_plan
from whirlbench.window.pages import limits_sheet
from whirlbench.window.pages import limits_state as module
from whirlbench.window.pages.limits_state import (
    END_HEADINGS,
    HOLD_HEADINGS,
    LIMIT_HEADINGS,
    LimitsState,
    LimitsStudy,
    at_speeds,
    limits_state,
    limits_study,
)


def rig() -> Rig:
    """The example with a current limit that binds, and no blade set: strength has its own tests."""
    made = parse_rig(example_rig_text())
    return replace(made, limits=replace(made.limits, current_a=35.0), propeller=replace(made.propeller, blade_set=None))


@pytest.fixture(scope="module", autouse=True)
def coarse() -> Iterator[None]:
    """Fewer speeds: each one is a dear walk through all constraints."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(limits_sheet, "SPEEDS", 7)
        patch.setattr(end_points, "SPEEDS_PER_MODE", 2)
        yield


@pytest.fixture(scope="module")
def study() -> LimitsStudy:
    return limits_study([page_runs.hold_run()], rig())


@pytest.fixture(scope="module")
def state(study: LimitsStudy) -> LimitsState:
    return limits_state(study)


def test_rows_fit_their_headings(state: LimitsState) -> None:
    for rows, headings in (
        (state.limit_rows, LIMIT_HEADINGS),
        (state.end_rows, END_HEADINGS),
        (state.hold_rows, HOLD_HEADINGS),
    ):
        assert rows and all(len(row) == len(headings) for row in rows)
    assert len(state.hold_rows) == 8
    assert {row[0] for row in state.end_rows} == set(rig().modes)


def test_the_heading_names_the_tightest_speed_and_what_binds(state: LimitsState) -> None:
    assert "current_a binds" in state.heading
    safe = {row[0]: row[2] for row in state.limit_rows}
    rpm, pitch = state.heading.split(":")[0].split()[-2], state.heading.split(":")[1].split()[0]
    assert safe[rpm] == pitch
    assert float(pitch) == min(float(value) for value in safe.values() if value != "–")


def test_the_safe_limit_is_never_coarser_than_the_best(state: LimitsState) -> None:
    best, safe = state.chart.curves[:2]
    assert np.all(safe.y <= best.y + 1e-9)
    assert np.any(safe.y < best.y - 0.05)
    assert any("binds" in word.text for word in state.chart.captions)
    assert [box.label for box in state.chart.boxes] == list(rig().modes)


def test_the_next_hold_is_a_plan_that_can_be_run(study: LimitsStudy, monkeypatch: pytest.MonkeyPatch) -> None:
    """How it is found has its own tests; it is slow."""
    monkeypatch.setattr(module, "propose_hold", lambda limits: NextHold(4000.0, 9.0, 0.4, 0.2))
    proposal = module.next_hold(study)
    assert proposal.remark.startswith("measure next: 4000 rpm at 9.0 deg")
    assert len(parse_plan(proposal.plan_text).steps) == 3
    shown = limits_state(study, proposal)
    assert any(stroke.label == "measure next" for stroke in shown.chart.curves)


def test_while_the_next_hold_is_sought_that_is_said(state: LimitsState) -> None:
    assert state.proposal.plan_text == ""
    assert "working out" in state.proposal.remark


def test_without_a_next_hold_the_reason_is_given(study: LimitsStudy, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "propose_hold", lambda limits: None)
    assert "no further hold can be proposed" in module.next_hold(study).remark


def test_coefficient_charts_hold_the_points_and_their_curve(state: LimitsState) -> None:
    assert [sheet.y_label for sheet in state.coefficients] == ["CT", "CP"]
    for sheet in state.coefficients:
        dots, curve = sheet.curves
        nearest = np.interp(dots.x, curve.x, curve.y)
        assert np.max(np.abs(nearest / dots.y - 1.0)) < 0.1
        assert np.all(sheet.bands[0].low < sheet.bands[0].high)


def test_other_speeds_can_be_asked_for(study: LimitsStudy) -> None:
    found = limits_state(at_speeds(study, (4000.0, 9000.0)))
    assert [row[0] for row in found.limit_rows] == ["4000", "9000"]
    assert "no hold near this speed" in found.limit_rows[1][-1]
    assert at_speeds(study, None) is study


def test_a_second_set_is_drawn_and_compared() -> None:
    found = limits_state(limits_study([page_runs.hold_run()], rig(), [page_runs.hold_run(2)]))
    assert any(stroke.label == "second set, 95 % safe" for stroke in found.chart.curves)
    assert sum("second set, CT" in line for line in found.remarks) == 7


def test_what_is_missing_is_named() -> None:
    time_s = np.arange(0.0, 20.0, 0.02)
    ramp = Run(SlowSamples(time_s, rpm=1000.0 + 100.0 * time_s, pitch_deg=0.0 * time_s))
    with pytest.raises(AnalysisError, match="no settled hold found"):
        limits_study([ramp], rig())
    with pytest.raises(RigError, match="air"):
        limits_study([page_runs.hold_run()], replace(rig(), air=type(rig().air)()))


def test_no_qt_is_needed() -> None:
    code = "import sys, whirlbench.window.pages.limits_state; assert not [name for name in sys.modules if 'Qt' in name]"
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)
