"""The fitted blade set and its log, for the surface that runs it: asked before arming, written to before and after.

The log is opened for each word and closed again: nothing of it is held while anything turns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from whirlbench.errors import BenchError, LogError
from whirlbench.log import EntryKind, ProofStanding, SetLog, default_path, proof_standing, run_use, standing
from whirlbench.log.store import LONGEST_TEXT
from whirlbench.rig.description import Rig
from whirlbench.session.plan.clearance import Clearance, Override, objections
from whirlbench.session.plan.steps import Plan


@dataclass(frozen=True)
class Entered:
    """What became of a run in the log, in one line; ``done`` false: it is not there, and the set stays barred."""

    text: str
    done: bool


@dataclass(frozen=True)
class FittedSet:
    """The set that ``rig`` says is fitted, judged by the strength check as ``permitted_rpm`` (None: ``not_judged``).

    ``log_path`` None is the user's own log; runs of the simulated stand have one of their own. LogError of any method
    when the log cannot be read or written: what the log does not hold was not said.
    """

    rig: Rig
    permitted_rpm: float | None
    not_judged: str = ""
    simulated: bool = False
    log_path: Path | None = None

    @property
    def name(self) -> str:
        """Name of the set; empty when the rig names none."""
        return self.rig.propeller.blade_set or ""

    @property
    def path(self) -> Path:
        """The log's file."""
        return self.log_path or default_path(self.simulated)

    def clearance(self, override: Override | None = None) -> Clearance:
        """What is known of the set now; its standing is read from the log."""
        if not self.name:  # the gate says so; there is no log to ask
            return Clearance("", self.permitted_rpm, standing((), self.rig, ""), self.not_judged, override)
        with self._log() as log:
            found = standing(log.entries(self.name), self.rig, self.name)
        return Clearance(self.name, self.permitted_rpm, found, self.not_judged, override)

    def latest_run(self, folder: Path) -> Path | None:
        """The recording of the set's last run, where it still lies in ``folder``; None without one."""
        if not self.name:
            return None
        with self._log() as log:
            runs = [entry.use.recording for entry in log.entries(self.name) if entry.use is not None]
        return next((folder / name for name in reversed(runs) if (folder / name).exists()), None)

    def proof(self) -> ProofStanding:
        """When the trips of this stand were last proved, and what has changed since."""
        if not self.name:
            return ProofStanding(None)
        with self._log() as log:
            return proof_standing(log, self.rig)

    def enter(self, kind: EntryKind, text: str, operator: str) -> str:
        """Adds an entry; returns it in one line for the surface."""
        with self._log() as log:
            number = log.add(self.name, kind, text, operator)
        return f"{self.path}: entry {number}: {kind} of {self.name}"

    def enter_override(self, clearance: Clearance, plan: Plan | None) -> str:
        """The override of ``clearance`` with all that speaks against arming; before anything is armed."""
        assert clearance.override is not None
        against = "; ".join(objections(clearance, self.rig, plan))
        text = f"{clearance.override.reason} (against: {against})"
        return self.enter(EntryKind.OVERRIDE, text[:LONGEST_TEXT], clearance.override.operator)

    def begin(self, recording: Path, answers: Sequence[str], operator: str) -> str:
        """Says that a run is about to begin and how its check-list was answered.

        Until the run itself is entered, the set may not spin again: who was killed meanwhile has not told how it ended.
        """
        told = "\n".join((recording.name, f"check-list, {len(answers)} lines confirmed:", *answers))
        return self.enter(EntryKind.BEGUN, told[:LONGEST_TEXT], operator)

    def finish(self, recording: Path, operator: str, armed: bool) -> Entered:
        """Enters the run that was begun, tripped or not, complete or not.

        ``armed`` false: the stand was never seen armed, and the session ended by a refusal. Never raises: a run that
        cannot be entered is said, and it stays open in the log.
        """
        try:
            return Entered("; ".join(self._enter_runs(recording, operator, armed)), True)
        except BenchError as error:
            told = (
                f"the run is NOT in the log: {error}; the set {self.name} stays barred until it is: "
                f"`whirlbench log{' --simulated' if self.simulated else ''} add {recording}`"
            )
            return Entered(told, False)

    def _enter_runs(self, recording: Path, operator: str, armed: bool) -> list[str]:
        if not armed:  # whatever lies under that name is another run's
            return [self.enter(EntryKind.NOT_ARMED, recording.name, operator)]
        paths = [path for path in (recording, continued(recording)) if path.exists()]
        if not paths:
            raise LogError(f"{recording}: there is no recording of the run")
        return [self._enter_run(path, operator) for path in paths]

    def _enter_run(self, path: Path, operator: str) -> str:
        from whirlbench.recording.files import open_recording  # only now: the session's process needs no such library

        with open_recording(path) as opened:
            use = run_use(opened, self.rig, self.permitted_rpm)
        with self._log() as log:
            number = log.add(self.name, EntryKind.RUN, "", operator, use)
        return f"{self.path}: entry {number}: run of {self.name}, {use.turning_s:.0f} s above rest"

    def _log(self) -> SetLog:
        if not self.name:
            raise LogError("the rig does not say which blade set is fitted (propeller.blade_set); nothing is armed")
        log = SetLog(self.path, self.simulated)
        if log.simulated is not self.simulated:
            log.close()
            kept, found = ("simulated", "real") if log.simulated else ("real", "simulated")
            raise LogError(f"{self.path}: is a log of {kept} runs, this is a {found} one; name another log")
        return log


def continued(recording: Path) -> Path:
    """Where a second recorder goes on when the first died."""
    return recording.with_name(f"{recording.stem}-continued{recording.suffix}")
