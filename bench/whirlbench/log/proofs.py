"""The last trial of the trips of a stand, and what has changed since: what was never provoked is not known to work."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import msgspec

from whirlbench.rig.declaration import keys_of, value_at
from whirlbench.rig.description import Rig
from whirlbench.rig.device_slots import slots
from whirlbench.rig.limits import Limits

DEVICE = "device"  # beside the rig's keys: board, firmware and build
NEVER = "the trips of this stand were never proved: run `whirlbench trial`"


@dataclass(frozen=True)
class TripTrial:
    """One trip provoked: how, whether it came, and after what time.

    ``tripped`` None: it was not tried, and ``remark`` says why. ``latency_ms`` from the provoking to the trip, None
    where the moment of the provoking is not known. ``can_be`` False: nobody can provoke it from outside.
    """

    trip: str
    provoked: str
    tripped: bool | None
    latency_ms: float | None = None
    remark: str = ""
    can_be: bool = True


@dataclass(frozen=True)
class Proof:
    """One trial of the trips: ``at`` in UTC (ISO 8601), by whom, on which device, under which ``protection``.

    ``protection`` is every key of the rig that a trip depends on, with its value in words. ``complete`` False: the
    trial was left before its end.
    """

    rig_name: str
    device: str
    protection: Mapping[str, str]
    trials: tuple[TripTrial, ...]
    complete: bool = True
    operator: str = ""
    recording: str = ""
    at: str = ""

    @property
    def failed(self) -> tuple[str, ...]:
        """Trips that were provoked and did not come."""
        return tuple(trial.trip for trial in self.trials if trial.tripped is False)

    @property
    def untried(self) -> tuple[str, ...]:
        """Trips that were passed over, though they could have been provoked."""
        return tuple(trial.trip for trial in self.trials if trial.tripped is None and trial.can_be)

    @property
    def came(self) -> int:
        """How many trips came."""
        return sum(trial.tripped is True for trial in self.trials)


@dataclass(frozen=True)
class Change:
    """A key that is not what it was when the trips were proved; "absent" where there is no value."""

    key: str
    proved: str
    present: str

    def __str__(self) -> str:
        return f"{self.key} was {self.proved}, is {self.present}"


@dataclass(frozen=True)
class ProofStanding:
    """The last proof of this stand (None: never), and what has changed since, key by key."""

    proof: Proof | None
    changes: tuple[Change, ...] = ()

    @property
    def sentence(self) -> str:
        """Last proof and changes in one line: every surface shows this one."""
        proof = self.proof
        if proof is None:
            return NEVER
        parts = [
            f"trips last proved {proof.at[:16].replace('T', ' ')} UTC",
            *([f"by {proof.operator}"] * bool(proof.operator)),
        ]
        tried = sum(trial.tripped is not None for trial in proof.trials)
        came = f"{proof.came} of {tried} came"
        told = [f"{' '.join(parts)}: {came}{'' if proof.complete else ', the trial was not finished'}"]
        told += [f"did not trip: {', '.join(proof.failed)}"] * bool(proof.failed)
        told += [f"not tried: {', '.join(proof.untried)}"] * bool(proof.untried)
        since = "; ".join(map(str, self.changes))
        told.append(f"changed since, never proved: {since}" if since else "nothing has changed since")
        return "; ".join(told)

    @property
    def changed_keys(self) -> tuple[str, ...]:
        """Keys of the rig (and ``device``) that were never proved as they are now."""
        return tuple(change.key for change in self.changes)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What has to be ticked by name before arming; empty when every trip was proved as it stands."""
        return tuple(self._cautions())

    def _cautions(self) -> Iterator[str]:
        if self.proof is None:
            yield NEVER
            return
        for trip in self.proof.failed:
            yield f"the trip {trip} did not come when it was provoked: find out why, and prove it"
        for trip in self.proof.untried:
            yield f"the trip {trip} was not tried in the last trial of the trips"
        if not self.proof.complete:
            yield "the last trial of the trips was not finished"
        for change in self.changes:
            yield f"{change}: never proved"


def protection(rig: Rig) -> dict[str, str]:
    """Every key that a trip of device or host depends on, with its value in words."""
    paths = {f"limits.{row.name}" for row in keys_of(Limits) if row.watch is not None}
    for row in keys_of(Limits):
        if row.watch is not None and row.watch.factor is not None:
            paths.update(row.watch.factor.also)
    paths.update(path for path, _ in slots())
    paths.update(key for _, slot in slots() for key in slot.counts.also)
    return {path: in_words(value_at(rig, path)) for path in sorted(paths)}


def in_words(value: object) -> str:
    """A key's value, short: numbers and words as they are, what has parts as a digest."""
    if value is None:
        return "absent"
    if isinstance(value, float):
        return f"{value:.9g}"
    if isinstance(value, int | str):
        return str(value)
    return f"digest {zlib.crc32(msgspec.json.encode(value)):08x}"


def changes_since(proof: Proof, rig: Rig, device: str = "") -> tuple[Change, ...]:
    """What differs between ``proof`` and the present ``rig``, sorted by key; the device only where it is known."""
    present = {**protection(rig), **({DEVICE: device} if device else {})}
    proved = {**proof.protection, **({DEVICE: proof.device} if device else {})}
    keys = sorted({*present, *proved})
    pairs = ((key, proved.get(key, "absent"), present.get(key, "absent")) for key in keys)
    return tuple(Change(key, before, now) for key, before, now in pairs if before != now)


def standing_of_proofs(proofs: Sequence[Proof], rig: Rig, device: str = "") -> ProofStanding:
    """Where the trips of ``rig`` stand by the ``proofs``, the oldest first; those of other stands are left out."""
    own = [proof for proof in proofs if proof.rig_name == rig.name]
    return ProofStanding(own[-1], changes_since(own[-1], rig, device)) if own else ProofStanding(None)
