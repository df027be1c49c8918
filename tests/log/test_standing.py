"""Where a set stands: what makes an inspection due, what clears it, and what nothing brings back."""

from __future__ import annotations

import pytest

from whirlbench.log import EntryKind, State, standing
from whirlbench.log.run_use import set_digest
from whirlbench.rig.toml import parse_rig

RIG = parse_rig("""
[propeller]
blades = 4
diameter_m = 0.56
blade_set = "moulded"
[blade_sets.moulded]
material = "moulded_nylon"
[blade_sets.moulded.service]
inspect_every_h = 0.5
inspect_every_starts = 10
""")
DIGEST = set_digest(RIG, "moulded")


@pytest.fixture
def stands(log, a_use):
    """The standing after runs with the given values and other entries, in their order."""

    def find(*entries: object):
        for entry in entries:
            if isinstance(entry, EntryKind):
                log.add("moulded", entry, "looked at every root")
            else:
                log.add("moulded", EntryKind.RUN, "", use=a_use(set_digest=DIGEST, **entry))
        return standing(log.entries(), RIG, "moulded")

    return find


def test_a_set_without_an_entry_is_new(stands):
    found = stands()

    assert (found.state, found.may_spin, found.totals.runs) == (State.NEW, True, 0)


def test_notes_alone_tell_nothing_of_a_set(stands):
    assert stands(EntryKind.NOTE, EntryKind.PHOTO).state is State.NEW


def test_a_run_that_was_begun_and_never_entered_makes_an_inspection_due(log, a_use):
    def found(kind, text, use=None):
        log.add("moulded", kind, text, use=use)
        return standing(log.entries(), RIG, "moulded")

    def entered(name):
        return found(EntryKind.RUN, "", a_use(set_digest=DIGEST, recording=name))

    assert "a.h5 was begun" in found(EntryKind.BEGUN, "a.h5\nanswers").sentence
    assert not entered("b.h5").may_spin  # another one's end is not its own
    assert entered("a.h5").may_spin
    assert not found(EntryKind.BEGUN, "a.h5").may_spin  # the same name again is another run
    assert found(EntryKind.NOT_ARMED, "a.h5").may_spin
    found(EntryKind.BEGUN, "c.h5")
    assert found(EntryKind.INSPECTION, "every root").may_spin


def test_a_quiet_run_leaves_it_in_service(stands):
    found = stands({})

    assert (found.state, found.may_spin, found.sentence) == (State.IN_SERVICE, True, "in service")


@pytest.mark.parametrize(
    ("run", "reason"),
    [
        ({"trips": ("vibration",)}, "tripped"),
        ({"peak_rpm": 6000.1}, "permitted 6000"),
        ({"peak_rpm": None}, "tells no speed"),
        ({"complete": False}, "is not complete: nobody knows how it ended"),
        ({"turning_s": 1800.0}, "due every 0.5 h"),
        ({"starts": 10}, "due every 10"),
        ({"set_digest": "another"}, "description in the rig has changed"),
    ],
)
def test_what_makes_an_inspection_due_and_an_inspection_clears(log, a_use, run, reason):
    log.add("moulded", EntryKind.RUN, "", use=a_use(**{"set_digest": DIGEST, **run}))
    found = standing(log.entries(), RIG, "moulded")
    assert (found.state, found.may_spin) == (State.INSPECTION_DUE, False)
    assert reason in found.sentence

    log.add("moulded", EntryKind.INSPECTION, "no crack found")
    assert standing(log.entries(), RIG, "moulded").state is State.IN_SERVICE


@pytest.mark.parametrize("run", [{"turning_s": 1799.0}, {"starts": 9}, {"peak_rpm": 6000.0}])
def test_just_below_every_rule_nothing_is_due(stands, run):
    assert stands(run).state is State.IN_SERVICE


def test_hours_add_up_since_the_inspection_only(stands):
    half = {"turning_s": 1000.0}

    assert stands(half, EntryKind.INSPECTION, half).state is State.IN_SERVICE
    assert stands(half).state is State.INSPECTION_DUE


def test_it_is_the_last_inspection_that_counts(stands):
    tripped = {"trips": ("vibration",)}

    assert stands(EntryKind.INSPECTION, tripped, EntryKind.INSPECTION).state is State.IN_SERVICE
    assert stands(tripped).state is State.INSPECTION_DUE


def test_a_retired_set_stays_retired(stands):
    found = stands({}, EntryKind.RETIRED, EntryKind.INSPECTION, {})

    assert (found.state, found.may_spin) == (State.RETIRED, False)
    assert "looked at every root" in found.sentence


def test_entries_of_other_sets_do_not_count(log, a_use):
    log.add("printed", EntryKind.RETIRED, "cracked")
    log.add("printed", EntryKind.RUN, "", use=a_use(trips=("overspeed",)))

    assert standing(log.entries(), RIG, "moulded").state is State.NEW
