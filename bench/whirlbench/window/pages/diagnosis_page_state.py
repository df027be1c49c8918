"""Everything that the diagnosis page shows of a run, and of a second one laid beside it by speed. No Qt here."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.onset import OnsetReport, find_onset
from whirlbench.analysis.orders import track_orders
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig
from whirlbench.safety.back_test import back_test, rules_for
from whirlbench.safety.host_rules import Trip
from whirlbench.samples import Run
from whirlbench.window.pages.diagnosis_state import (
    Alignment,
    MapPicture,
    Marker,
    OrderComparison,
    align_on_rpm,
    compare_order,
    map_picture,
    markers,
)

NONE = "–"
TRIP_HEADINGS = ("trip", "at s", "value", "limit", "before the failure s")
SIGNAL_HEADINGS = ("signal", "left its healthy behaviour at s", "95 % interval s", "past doubt at s")
SILENCE = "a silent result is no proof of health: nothing moved beyond scatter in what was recorded"
TRACK_STEP_S = 0.25


@dataclass(frozen=True)
class Vectors:
    """The 1P vector through a run: ``phasor_g[axis, frame]`` complex, peak g; NaN where it cannot be told."""

    time_s: np.ndarray
    rpm: np.ndarray
    axes: tuple[str, ...]
    phasor_g: np.ndarray
    marked: bool

    def at(self, time_s: float) -> np.ndarray:
        """One phasor an axis at the frame nearest to ``time_s``; NaN away from all frames."""
        row = self._row(time_s)
        return np.full(len(self.axes), np.nan, dtype=complex) if row is None else self.phasor_g[:, row]

    def trail(self, time_s: float, length_s: float) -> np.ndarray:
        """The phasors of the last ``length_s`` up to ``time_s``, ``(axes, m)``."""
        kept = (self.time_s > time_s - length_s) & (self.time_s <= time_s)
        return self.phasor_g[:, kept]

    def _row(self, time_s: float) -> int | None:
        if not len(self.time_s) or not np.isfinite(time_s):
            return None
        row = int(np.argmin(np.abs(self.time_s - time_s)))
        return row if abs(self.time_s[row] - time_s) <= 2 * TRACK_STEP_S else None


@dataclass(frozen=True)
class RunView:
    """What is drawn of one run; ``picture`` and ``vectors`` are None without vibration or speed."""

    source: str
    time_s: np.ndarray
    rpm: np.ndarray
    picture: MapPicture | None
    vectors: Vectors | None


@dataclass(frozen=True)
class Beside:
    """The second run: its own view, which of its moments belongs to which of the first, and 1P against speed."""

    view: RunView
    alignment: Alignment
    comparison: OrderComparison | None


@dataclass(frozen=True)
class DiagnosisPage:
    """The page; ``notes`` say in plain lines what could not be judged."""

    heading: str
    view: RunView
    report: OnsetReport
    markers: tuple[Marker, ...]
    trips: tuple[Trip, ...]
    trip_rows: tuple[tuple[str, ...], ...]
    signal_rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...]
    blades: int | None = None
    beside: Beside | None = None

    def second_at(self, time_s: float) -> float:
        """Moment of the second run that has the speed of ``time_s``; NaN where there is none."""
        return float("nan") if self.beside is None else self.beside.alignment.second_at(time_s)

    def words_at(self, time_s: float) -> tuple[str, ...]:
        """The 1P vector at a moment in words, a line an axis, for either run."""
        lines = list(_vector_words(self.view, time_s, ""))
        if self.beside is not None:
            other_s = self.second_at(time_s)
            if not np.isfinite(other_s):
                lines.append("beside: never at this speed")
            lines += _vector_words(self.beside.view, other_s, "beside: ")
        return tuple(lines)


def diagnosis_page(run: Run, rig: Rig | None, other: Run | None = None) -> DiagnosisPage:
    """Onset, failure, trips and orders of ``run``, with ``other`` laid beside it by speed where given.

    ``rig``: whose limits are back-tested; None tests none. What the run cannot tell is named in ``notes``; a second
    run without speed raises AnalysisError.
    """
    report = find_onset(run, rig)
    trips = back_test(run, rules_for(run, rig)) if rig is not None else ()
    notes: list[str] = [*report.refused, *run.problems]
    if report.onset is None:
        notes.append(SILENCE)
    view = _run_view(run, notes)
    beside = None if other is None else _beside(run, other, view, report, notes)
    return DiagnosisPage(
        _heading(report, trips), view, report, markers(run, report, tuple((trip.rule, trip.at_s) for trip in trips)),
        trips, tuple(_trip_rows(run, report, trips)), tuple(_signal_rows(report)), tuple(dict.fromkeys(notes)),
        None if rig is None else rig.propeller.blades, beside,
    )  # fmt: skip


def _run_view(run: Run, notes: list[str], axis: str | None = None) -> RunView:
    picture = vectors = None
    try:
        picture = map_picture(run, axis)
        tracks = track_orders(run, (1,), TRACK_STEP_S)
        vectors = Vectors(tracks.time_s, tracks.rpm, tracks.axes, tracks.phasor_g[:, :, 0], tracks.marked)
    except AnalysisError as error:
        notes.append(f"{run.source}: {error}" if run.source else str(error))
    return RunView(run.source, run.slow.time_s, run.slow.channel("rpm"), picture, vectors)


def _beside(run: Run, other: Run, view: RunView, report: OnsetReport, notes: list[str]) -> Beside:
    axis = view.picture.axis if view.picture is not None and other.vibration.has(view.picture.axis) else None
    comparison = None
    if axis is not None:
        try:
            # What shakes after the failure is wreckage: it would hide what is to be compared
            until_s = report.failure.at_s if report.failure is not None else np.inf
            comparison = compare_order(run.between(-np.inf, until_s), other, axis)
        except AnalysisError as error:
            notes.append(str(error))
    return Beside(_run_view(other, notes, axis), align_on_rpm(run, other), comparison)


def _heading(report: OnsetReport, trips: Sequence[Trip]) -> str:
    onset, failure = report.onset, report.failure
    parts = []
    if onset is not None:
        span = f"{onset.from_s:.1f} to {onset.to_s:.1f} s"
        parts.append(f"{onset.kind} from {onset.at_s:.1f} s ({span}, 95 %): {onset.signal} moved first")
    else:
        parts.append(f"no onset in {report.judged_s:.0f} s of steady running")
    if failure is not None:
        parts.append(f"{failure.kind} at {failure.at_s:.2f} s")
    if report.lead_s is not None:
        parts.append(f"{report.lead_s:.1f} s of warning")
    if trips:
        parts.append(f"first trip by the limits: {trips[0].rule} at {trips[0].at_s:.2f} s")
    return "; ".join(parts)


def _trip_rows(run: Run, report: OnsetReport, trips: Sequence[Trip]) -> Iterator[tuple[str, ...]]:
    failed_s = report.failure.at_s if report.failure else None
    fired = [(event.time_s, (f"{event.name} (fired)", *_moment(event.time_s, event.detail or NONE, NONE, failed_s)))
             for event in run.events if event.kind == "trip"]  # fmt: skip
    would = [
        (one.at_s, (f"{one.rule} (would fire)", *_moment(one.at_s, f"{one.value:.4g}", f"{one.limit:.4g}", failed_s)))
        for one in trips
    ]
    yield from (row for _, row in sorted([*fired, *would]))


def _moment(at_s: float, value: str, limit: str, failed_s: float | None) -> tuple[str, ...]:
    lead = NONE if failed_s is None else f"{failed_s - at_s:.2f}"
    return f"{at_s:.2f}", value, limit, lead


def _signal_rows(report: OnsetReport) -> Iterator[tuple[str, ...]]:
    for one in report.signals:
        yield one.signal, f"{one.at_s:.2f}", f"{one.from_s:.2f} – {one.to_s:.2f}", f"{one.caution_s:.2f}"


def _vector_words(view: RunView, time_s: float, prefix: str) -> Iterator[str]:
    if view.vectors is None or not np.isfinite(time_s):
        return
    for axis, phasor in zip(view.vectors.axes, view.vectors.at(time_s), strict=True):
        if np.isfinite(phasor):
            angle = f" at {np.degrees(np.angle(phasor)) % 360.0:.0f}°" if view.vectors.marked else ""
            yield f"{prefix}1P {axis.removesuffix('_g')} {abs(phasor):.3f} g{angle}"
