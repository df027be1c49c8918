"""Where a blade set stands: in service, inspection due, retired; and every reason in words, said here once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from whirlbench.log.entries import Entry, EntryKind, SetTotals, totals
from whirlbench.log.run_use import set_digest
from whirlbench.rig.blade_sets import Service
from whirlbench.rig.description import Rig

KNOWN_BY = (EntryKind.RUN, EntryKind.BEGUN, EntryKind.INSPECTION)  # notes and pictures alone tell nothing of a set


class State(StrEnum):
    """What the log says of a set."""

    NEW = "new"  # nothing is known of it
    IN_SERVICE = "in service"
    INSPECTION_DUE = "inspection due"
    RETIRED = "retired"


@dataclass(frozen=True)
class Standing:
    """The state of a set, why it is so (one clause each), and what it has run in all."""

    blade_set: str
    state: State
    reasons: tuple[str, ...]
    totals: SetTotals

    @property
    def may_spin(self) -> bool:
        """Whether the log has nothing against arming with this set."""
        return self.state in (State.NEW, State.IN_SERVICE)

    @property
    def sentence(self) -> str:
        """The standing in one line: every surface shows this one."""
        why = f": {'; '.join(self.reasons)}" if self.reasons else ""
        return f"{self.state}{why}"


def standing(entries: Sequence[Entry], rig: Rig | None, name: str) -> Standing:
    """Where the set ``name`` of ``rig`` stands by its ``entries``, the oldest first; those of other sets are left out.

    An inspection clears what came before it; retirement is final. Without a rig its service rules are not known, and
    only what the entries themselves say is judged.
    """
    own = [entry for entry in entries if entry.blade_set == name]
    sums = totals(own)
    if retired := [entry for entry in own if entry.kind is EntryKind.RETIRED]:
        return Standing(name, State.RETIRED, (f"{retired[-1].at[:10]}, {retired[-1].text}",), sums)
    if not any(entry.kind in KNOWN_BY for entry in own):
        return Standing(name, State.NEW, ("the log has no run and no inspection of it",), sums)
    due = tuple(dict.fromkeys(_due(_since_inspection(own), own, rig, name)))
    return Standing(name, State.INSPECTION_DUE if due else State.IN_SERVICE, due, sums)


def _since_inspection(own: Sequence[Entry]) -> list[Entry]:
    """The entries after the last inspection; all without one."""
    numbers = [index for index, entry in enumerate(own) if entry.kind is EntryKind.INSPECTION]
    return list(own[numbers[-1] + 1 if numbers else 0 :])


def _due(since: Sequence[Entry], own: Sequence[Entry], rig: Rig | None, name: str) -> Iterator[str]:
    """Every reason for which an inspection is due."""
    for entry in since:
        if entry.use is not None:
            yield from _run_reasons(entry)
    for entry in _never_ended(since):
        yield (
            f"the run {_recording(entry)} was begun {entry.at[:16]} and is not entered: it still turns, or nobody "
            "knows how it ended"
        )
    if rig is None:
        return
    if name in rig.blade_sets:
        yield from _service_reasons(totals(since), rig.blade_sets[name].service)
    yield from _changed(since, own, set_digest(rig, name))


def _never_ended(since: Sequence[Entry]) -> list[Entry]:
    """Runs that were begun, without a word of how they ended."""
    open_runs: list[Entry] = []
    for entry in since:
        if entry.kind is EntryKind.BEGUN:
            open_runs.append(entry)
        elif entry.kind in (EntryKind.RUN, EntryKind.NOT_ARMED):
            ended = next((one for one in open_runs if _recording(one) == _recording(entry)), None)
            open_runs = [one for one in open_runs if one is not ended]
    return open_runs


def _recording(entry: Entry) -> str:
    """Name of the recording that an entry is about."""
    return entry.use.recording if entry.use is not None else entry.text.partition("\n")[0]


def _service_reasons(since: SetTotals, service: Service) -> Iterator[str]:
    hours, starts = service.inspect_every_h, service.inspect_every_starts
    if hours is not None and since.hours >= hours:
        yield f"{since.hours:.2f} h since the last inspection, due every {hours:g} h"
    if starts is not None and since.starts >= starts:
        yield f"{since.starts} starts since the last inspection, due every {starts}"


def _run_reasons(entry: Entry) -> Iterator[str]:
    use = entry.use
    assert use is not None
    if use.trips:
        yield f"the run of {entry.at[:16]} tripped ({', '.join(use.trips)})"
    if use.peak_rpm is not None and use.permitted_rpm is not None and use.peak_rpm > use.permitted_rpm:
        yield f"the run of {entry.at[:16]} reached {use.peak_rpm:.0f} rpm, permitted {use.permitted_rpm:.0f} rpm"
    if use.peak_rpm is None:
        yield f"the run of {entry.at[:16]} tells no speed"
    if not use.complete:
        yield f"the recording of the run of {entry.at[:16]} is not complete: nobody knows how it ended"


def _changed(since: Sequence[Entry], own: Sequence[Entry], digest: str) -> Iterator[str]:
    """The rig describes another set than the one that ran under this name: somebody must look which is on the hub."""
    ran = [entry.use.set_digest for entry in own if entry.use is not None]
    if ran and digest != ran[-1] and any(entry.use is not None for entry in since):
        yield "its description in the rig has changed since its last run"
