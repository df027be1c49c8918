"""The fitted set and its log: what is entered before and after a run, and what bars the set when nobody enters it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from cleared_set import fitted

from whirlbench.errors import LogError
from whirlbench.log import EntryKind, SetLog, State
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.plan import FittedSet, Override

RIG = parse_rig(example_rig_text())
SPIN = Path(__file__).resolve().parents[3] / "recordings" / "root_crack.h5"


@pytest.fixture
def on_hub(tmp_path):
    return fitted(RIG, tmp_path)


def entries(on_hub):
    with SetLog(on_hub.path, simulated=True) as log:
        return log.entries()


def test_a_set_that_never_ran_is_new_and_cleared(on_hub):
    found = on_hub.clearance()

    assert (found.blade_set, found.permitted_rpm, found.standing.state) == (
        "moulded", RIG.limits.overspeed_rpm, State.NEW,
    )  # fmt: skip


def test_a_rig_that_names_no_set_gets_no_log_and_no_clearance(tmp_path):
    nameless = fitted(replace_set(RIG), tmp_path)

    assert nameless.clearance().blade_set == ""
    assert not nameless.path.exists()
    with pytest.raises(LogError, match=r"propeller\.blade_set"):
        nameless.enter(EntryKind.NOTE, "seen", "A. Tester")


def replace_set(rig):
    return parse_rig(example_rig_text().replace('blade_set = "moulded"\n', ""))


def test_the_simulated_stand_never_writes_into_a_log_of_real_runs(on_hub):
    SetLog(on_hub.path, simulated=False).close()

    with pytest.raises(LogError, match="log of real runs, this is a simulated one"):
        on_hub.begin(Path("a.h5"), ["seen"], "A. Tester")


def test_a_run_that_was_begun_bars_the_set_until_it_is_entered(on_hub, tmp_path):
    path = tmp_path / "a.h5"
    path.write_bytes(SPIN.read_bytes())  # another run's, as a name that was taken meanwhile
    on_hub.begin(path, ["12:00 isolator tried"], "A. Tester")
    barred = on_hub.clearance().standing
    assert barred.state is State.INSPECTION_DUE and "a.h5 was begun" in barred.sentence
    assert "isolator tried" in entries(on_hub)[0].text and entries(on_hub)[0].operator == "A. Tester"

    on_hub.finish(path, "A. Tester", armed=False)
    assert entries(on_hub)[-1].kind is EntryKind.NOT_ARMED
    assert on_hub.clearance().standing.state is State.IN_SERVICE


def test_a_run_that_left_no_recording_stays_open_and_says_so(on_hub, tmp_path):
    path = tmp_path / "a.h5"
    on_hub.begin(path, [], "A. Tester")
    told = on_hub.finish(path, "A. Tester", armed=True)

    assert not told.done and "NOT in the log" in told.text and "log --simulated add" in told.text
    assert not on_hub.clearance().standing.may_spin


def test_a_damaged_recording_is_not_lost_and_not_entered(on_hub, tmp_path):
    path = tmp_path / "a.h5"
    path.write_bytes(b"not a recording")
    on_hub.begin(path, [], "A. Tester")

    assert "NOT in the log" in on_hub.finish(path, "A. Tester", armed=True).text
    assert not on_hub.clearance().standing.may_spin


def test_a_run_is_entered_with_its_trips_and_counted_once(on_hub, tmp_path):
    path = tmp_path / "a.h5"
    path.write_bytes(SPIN.read_bytes())
    on_hub.begin(path, [], "A. Tester")
    told = on_hub.finish(path, "A. Tester", armed=True)
    assert told.done and "run of moulded" in told.text
    run = entries(on_hub)[-1]
    assert run.kind is EntryKind.RUN and run.use.starts >= 1 and run.use.permitted_rpm == RIG.limits.overspeed_rpm

    on_hub.begin(path, [], "A. Tester")
    assert "in the log already" in on_hub.finish(path, "A. Tester", armed=True).text


def test_the_last_run_that_is_still_there_can_be_shown_beside_the_next(on_hub, tmp_path):
    assert on_hub.latest_run(tmp_path) is None
    path = tmp_path / "a.h5"
    path.write_bytes(SPIN.read_bytes())
    on_hub.begin(path, [], "A. Tester")
    on_hub.finish(path, "A. Tester", armed=True)

    assert on_hub.latest_run(tmp_path) == path
    assert on_hub.latest_run(tmp_path / "elsewhere") is None
    assert fitted(replace_set(RIG), tmp_path).latest_run(tmp_path) is None


def test_an_override_is_entered_with_everything_it_overrides(on_hub):
    slow = replace(on_hub, permitted_rpm=4900.0)
    slow.enter_override(slow.clearance(Override("moulded", "proof of the root", "A. Tester")), None)
    (told,) = entries(on_hub)

    assert told.kind is EntryKind.OVERRIDE and told.operator == "A. Tester"
    assert "proof of the root" in told.text and "above the permitted 4900 rpm" in told.text


def test_the_default_log_of_the_simulated_stand_is_its_own():
    paths = {FittedSet(RIG, None, simulated=simulated).path.name for simulated in (True, False)}

    assert paths == {"blade_sets.sqlite", "blade_sets_simulated.sqlite"}
