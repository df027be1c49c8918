"""A diagnosis: the onset answer with order map and 1P vector of a run, and of a second one laid beside it by speed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.orders import OrderMap, map_orders, track_orders
from whirlbench.errors import AnalysisError
from whirlbench.results.answer import Answer, Level, Remark
from whirlbench.results.chart import Chart, Curve, Heatmap, MarkLine, Span
from whirlbench.results.labels import spoken
from whirlbench.results.onset import Moment, OnsetStudy, moments, onset_answer, onset_study, run_span
from whirlbench.rig.description import Rig
from whirlbench.samples import Run

MAP_FLOOR_G = 1e-3
FLOOR_DB = 6.0  # re 1 mg: twice the map's floor
FULL_INK_SHARE = 0.997  # of the map's cells below the level that is drawn in full ink
MAP_COLUMNS = 900
HIGHEST_ORDER = 12
RPM_STEP = 50.0
LIKE_SPEED = 0.02  # share by which two speeds may differ and still be laid beside each other
ALIGNMENT_STEP_S = 0.1
ORDER_STEP_S = 0.1  # short frames, so that a ramp fills every step of speed
TRACK_STEP_S = 0.25
AT_LIKE_SPEED = "Median at like speed: what lies apart is the rotor or its mount, not the speed."


@dataclass(frozen=True)
class Vectors:
    """The 1P vector through a run: ``phasor_g[axis, frame]`` complex, peak g; NaN where it cannot be told.

    ``marked``: whether angles are counted from a mark on the rotor.
    """

    time_s: np.ndarray
    axes: tuple[str, ...]
    phasor_g: np.ndarray
    marked: bool

    def at(self, time_s: float) -> np.ndarray:
        """One phasor an axis at the frame nearest to ``time_s``; NaN away from all frames."""
        nearest = int(np.argmin(np.abs(self.time_s - time_s))) if len(self.time_s) and np.isfinite(time_s) else None
        if nearest is None or abs(self.time_s[nearest] - time_s) > 2 * TRACK_STEP_S:
            return np.full(len(self.axes), np.nan, dtype=complex)
        return np.asarray(self.phasor_g[:, nearest])

    def before(self, time_s: float, length_s: float) -> np.ndarray:
        """The phasors of the last ``length_s`` up to ``time_s``, ``(axes, m)``."""
        kept = (self.time_s > time_s - length_s) & (self.time_s <= time_s)
        return np.asarray(self.phasor_g[:, kept])


@dataclass(frozen=True)
class RunView:
    """What a cursor shows of one run: the axis of its order map and its 1P vectors, None without vibration or speed."""

    source: str
    axis: str | None
    vectors: Vectors | None

    def words_at(self, time_s: float, prefix: str = "") -> Iterator[str]:
        """The 1P vector at a moment, a line an axis."""
        if self.vectors is None or not np.isfinite(time_s):
            return
        for axis, phasor in zip(self.vectors.axes, self.vectors.at(time_s), strict=True):
            if np.isfinite(phasor):
                angle = f" at {np.degrees(np.angle(phasor)) % 360.0:.0f}°" if self.vectors.marked else ""
                yield f"{prefix}1P {axis.removesuffix('_g')} {abs(phasor):.3f} g{angle}"


@dataclass(frozen=True)
class Alignment:
    """For each moment of the first run, the one of the second with like speed in the same direction; NaN for none."""

    first_s: np.ndarray
    second_s: np.ndarray

    def second_at(self, first_s: float) -> float:
        """Moment of the second run that belongs to ``first_s``; NaN outside, or where it never had that speed."""
        if not len(self.first_s) or not self.first_s[0] <= first_s <= self.first_s[-1]:
            return float("nan")
        return float(self.second_s[int(np.argmin(np.abs(self.first_s - first_s)))])


@dataclass(frozen=True)
class OrderComparison:
    """Amplitude of one order against rpm for two runs, in g peak: median in each step of speed, NaN unvisited."""

    rpm: np.ndarray
    first_g: np.ndarray
    second_g: np.ndarray


@dataclass(frozen=True)
class Beside:
    """The second run: what is shown of it, and which of its moments belongs to which of the first."""

    view: RunView
    alignment: Alignment


@dataclass(frozen=True)
class Diagnosis:
    """The answer, with what a time cursor moves over: the run's view, its moments, and a second run's.

    Charts beyond those of the onset: "order map", and with a second run "second order map" and "1P". ``begin_s`` is
    where the cursor first stands.
    """

    answer: Answer
    view: RunView
    moments: tuple[Moment, ...]
    begin_s: float
    beside: Beside | None = None

    def second_at(self, time_s: float) -> float:
        """Moment of the second run that has the speed of ``time_s``; NaN where there is none."""
        return float("nan") if self.beside is None else self.beside.alignment.second_at(time_s)

    def words_at(self, time_s: float) -> tuple[str, ...]:
        """The 1P vector at a moment in words, a line an axis, for either run."""
        lines = list(self.view.words_at(time_s))
        if self.beside is not None:
            other_s = self.second_at(time_s)
            if not np.isfinite(other_s):
                lines.append("beside: never at this speed")
            lines += self.beside.view.words_at(other_s, "beside: ")
        return tuple(lines)


def diagnosis(run: Run, rig: Rig | None, other: Run | None = None) -> Diagnosis:
    """Onset, failure, trips and orders of ``run``, with ``other`` laid beside it by speed where given.

    ``rig``: whose limits are back-tested; None tests none. What cannot be drawn is told in a note of the answer; a
    second run without speed raises AnalysisError.
    """
    study = onset_study(run, rig)
    blades = None if rig is None else rig.propeller.blades
    notes: list[str] = []
    levels = _order_map(run, None, notes)
    view = _run_view(run, levels, notes)
    charts = [*_map_chart(run, levels, f"Order map: {run.source or 'this run'}", "order map", blades)]
    beside = None
    if other is not None:
        beside, more = _beside(study, other, view.axis, blades, notes)
        charts += more
    answer = onset_answer(study)
    remarks = [Remark(Level.NOTE, spoken(text)) for text in dict.fromkeys(notes)]
    answer = replace(answer, charts=(*answer.charts, *charts), remarks=(*answer.remarks, *remarks))
    found, onset = moments(study), study.report.onset
    begin_s = onset.at_s if onset else found[0].at_s if found else 0.0
    return Diagnosis(answer, view, found, begin_s, beside)


def _order_map(run: Run, axis: str | None, notes: list[str]) -> OrderMap | None:
    """Order map of ``axis``, by default of the one that shakes most; None and a note where it cannot be made."""
    try:
        return map_orders(run, axis or _strongest_axis(run), highest_order=HIGHEST_ORDER)
    except AnalysisError as error:
        notes.append(f"{run.source or 'this run'}: {error}")
        return None


def _run_view(run: Run, levels: OrderMap | None, notes: list[str]) -> RunView:
    if levels is None:
        return RunView(run.source, None, None)
    try:
        tracks = track_orders(run, (1,), TRACK_STEP_S)
    except AnalysisError as error:
        notes.append(f"{run.source or 'this run'}: {error}")
        return RunView(run.source, levels.axis, None)
    return RunView(
        run.source, levels.axis, Vectors(tracks.time_s, tracks.axes, tracks.phasor_g[:, :, 0], tracks.marked)
    )


def _strongest_axis(run: Run) -> str:
    axes = run.vibration.axes()
    if not axes:
        raise AnalysisError("no vibration was recorded: there is no order map to draw")
    return max(axes, key=lambda axis: float(np.nanstd(getattr(run.vibration, axis))))


def _beside(
    study: OnsetStudy, other: Run, axis: str | None, blades: int | None, notes: list[str]
) -> tuple[Beside, list[Chart]]:
    """The second run and its charts, on the ``axis`` of the first where it has that."""
    shared = axis if axis is not None and other.vibration.has(axis) else None
    levels = _order_map(other, shared, notes)
    shown = Beside(_run_view(other, levels, notes), align_on_rpm(study.run, other))
    title = "Order map of the run beside, cursor at the moment of the same speed"
    charts = [*_map_chart(other, levels, title, "second order map", blades)]
    if shared is not None:
        try:
            # What shakes after the failure is wreckage: it would hide what is to be compared
            until_s = np.inf if study.failed_s is None else study.failed_s
            charts.append(_comparison_chart(compare_order(study.run.between(-np.inf, until_s), other, shared)))
        except AnalysisError as error:
            notes.append(str(error))
    return shown, charts


def align_on_rpm(first: Run, second: Run, step_s: float = ALIGNMENT_STEP_S) -> Alignment:
    """Lays ``second`` beside ``first`` by speed: at every moment of the first, the nearest moment of like speed.

    Among the second's moments within 2 % of speed, those that move the same way (rising, holding, falling) are
    preferred, then the one that keeps time flowing on most evenly. Raises AnalysisError when either has no rpm channel
    or never turned.
    """
    (time1, rpm1, way1), (time2, rpm2, way2) = (_speed_and_way(run, step_s) for run in (first, second))
    matched = np.full(len(time1), np.nan)
    last_s = time2[0] - step_s
    for index in range(len(time1)):
        like = np.flatnonzero(np.abs(rpm2 / rpm1[index] - 1.0) < LIKE_SPEED)
        if not len(like):
            continue
        cost = np.abs(time2[like] - (last_s + step_s)) + 1e3 * (way2[like] != way1[index])
        matched[index] = last_s = time2[like[int(np.argmin(cost))]]
    return Alignment(time1, matched)


def _speed_and_way(run: Run, step_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(times, rpm, direction -1, 0, 1) of turning moments on an even grid."""
    rpm = run.slow.channel("rpm")
    good = np.isfinite(rpm)
    if good.sum() < 2:
        raise AnalysisError(f"{run.source or 'the run'} has no rpm channel: runs cannot be aligned on speed")
    time_s = np.arange(run.slow.time_s[good][0], run.slow.time_s[good][-1], step_s)
    speed = np.interp(time_s, run.slow.time_s[good], rpm[good])
    change = np.gradient(speed) / step_s if len(speed) > 1 else np.zeros(len(speed))
    way = np.where(np.abs(change) < 0.02 * np.maximum(speed, 1.0), 0, np.sign(change)).astype(int)
    turning = speed > 1.0
    if not turning.any():
        raise AnalysisError(f"{run.source or 'the run'} never turned: runs cannot be aligned on speed")
    return time_s[turning], speed[turning], way[turning]


def compare_order(first: Run, second: Run, axis: str, order: int = 1) -> OrderComparison:
    """Amplitude of ``order`` on ``axis`` against speed for both runs; AnalysisError as ``track_orders``."""
    binned = [_against_rpm(run, axis, order) for run in (first, second)]
    keys = sorted(set(binned[0]) | set(binned[1]))
    columns = [np.array([one.get(key, np.nan) for key in keys]) for one in binned]
    return OrderComparison((np.array(keys) + 0.5) * RPM_STEP, columns[0], columns[1])


def _against_rpm(run: Run, axis: str, order: int) -> dict[int, float]:
    tracks = track_orders(run, (order,), ORDER_STEP_S)
    if axis not in tracks.axes:
        raise AnalysisError(
            f"no {axis} was recorded in {run.source or 'the run'}: choose one of {', '.join(tracks.axes)}"
        )
    amplitude = np.abs(tracks.phasor(axis, order))
    good = np.isfinite(amplitude) & np.isfinite(tracks.rpm)
    step = np.floor(tracks.rpm[good] / RPM_STEP).astype(int)
    return {int(key): float(np.median(amplitude[good][step == key])) for key in np.unique(step)}


def _map_chart(run: Run, levels: OrderMap | None, title: str, key: str, blades: int | None) -> Iterator[Chart]:
    """Order map against time with the order at which ``blades`` pass; none where there is no map."""
    if levels is None or len(levels.time_s) < 2:
        return
    span, orders = run_span(run), (float(levels.order[0]), float(levels.order[-1]))
    pass_line = () if blades is None else (MarkLine(float(blades), "blade pass", "cursor", upright=False),)
    yield Chart(
        title, "time in the run (s)", f"order of shaft speed, {levels.axis.removesuffix('_g')}", lines=pass_line,
        heatmap=Heatmap(span, orders, _shares(levels, span)), x_span=span, y_span=orders, key=key,
        caption="The darker, the stronger: a level stripe turns with the shaft, a slanting one does not.",
    )  # fmt: skip


def _shares(levels: OrderMap, span: Span) -> np.ndarray:
    """Ink of each cell on an even grid of time, NaN where no frame is near."""
    usual_s = float(np.nanmedian(np.diff(levels.time_s)))
    at_s = np.linspace(*span, MAP_COLUMNS)
    known = np.isfinite(levels.time_s)
    time_s, level = levels.time_s[known], _decibels(levels.amplitude_g[known])
    nearest = np.clip(np.searchsorted((time_s[1:] + time_s[:-1]) / 2, at_s), 0, len(time_s) - 1)
    top = max(float(np.quantile(level, FULL_INK_SHARE)), FLOOR_DB + 1.0)
    shares = (level[nearest] - FLOOR_DB) / (top - FLOOR_DB)
    reach = np.maximum(np.abs(np.gradient(time_s))[nearest], usual_s) if len(time_s) > 1 else usual_s
    shares[np.abs(time_s[nearest] - at_s) > reach] = np.nan
    return np.asarray(np.clip(shares, 0.0, 1.0).T, dtype=np.float32)


def _decibels(amplitude_g: np.ndarray) -> np.ndarray:
    """Levels re 1 mg peak, none below that; what is not known is drawn as the lowest."""
    return np.asarray(20.0 * np.log10(np.maximum(np.nan_to_num(amplitude_g), MAP_FLOOR_G) / MAP_FLOOR_G))


def _comparison_chart(comparison: OrderComparison) -> Chart:
    """Amplitude of 1P against speed for both runs; speeds that a run never had are bridged."""
    curves = []
    for amplitude_g, label, ink in (
        (comparison.first_g, "this run", "measured"),
        (comparison.second_g, "beside", "second"),
    ):
        known = np.isfinite(amplitude_g)
        line = (comparison.rpm[known], amplitude_g[known])
        curves += [Curve(*line, label, ink), Curve(*line, "", ink, dots=True)]
    return Chart("1P against speed, both runs", "rpm", "g peak", tuple(curves), key="1P", caption=AT_LIKE_SPEED)
