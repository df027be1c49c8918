"""Charts of the diagnosis page as plain data: the run's course with its markers, the order map, the evidence."""

from __future__ import annotations

import numpy as np

from whirlbench.analysis.onset import OnsetReport
from whirlbench.results.chart import Chart, Curve, Heatmap, MarkLine, Span, Stretch
from whirlbench.window.pages.diagnosis_page_state import DiagnosisPage, RunView
from whirlbench.window.pages.diagnosis_state import MapPicture, OrderComparison

MARKER_INKS = {"onset": "cursor", "caution": "close", "trip": "over", "abort": "over", "failure": "ink"}
STRONGEST = 4  # signals whose evidence is drawn
SHOWN_LEVELS = 3.0  # of the alarm level; what lies far beyond has long been past doubt
FULL_INK_SHARE = 0.997  # of the map's cells below the level that is drawn in full ink
FLOOR_DB = 6.0  # re 1 mg: twice the map's floor
MAP_COLUMNS = 900


def run_span(view: RunView) -> Span:
    """Common time axis of all charts of a run."""
    times = [view.time_s] + ([view.picture.time_s] if view.picture is not None else [])
    ends = [end for time_s in times if len(time_s) for end in (float(time_s[0]), float(time_s[-1]))]
    return (min(ends), max(ends)) if ends and max(ends) > min(ends) else (0.0, 1.0)


def course_sheet(page: DiagnosisPage) -> Chart:
    """Speed against time with onset, caution, trips and failure."""
    shown: dict[str, MarkLine] = {}
    for marker in page.markers:
        if marker.kind in MARKER_INKS:
            text = marker.text.split(":")[0] if marker.kind == "onset" else marker.text
            key = f"{marker.kind} {marker.at_s:.1f}"  # a trip that fired and the same one back-tested: one line
            shown.setdefault(key, MarkLine(marker.at_s, text, MARKER_INKS[marker.kind]))
    return Chart(
        "Course of the run", "time in the run (s)", "rpm", (Curve(page.view.time_s, page.view.rpm, "", "measured"),),
        lines=tuple(shown.values()), stretches=_interval(page.report), x_span=run_span(page.view),
    )  # fmt: skip


def _interval(report: OnsetReport, label: str = "onset, 95 %") -> tuple[Stretch, ...]:
    if report.onset is None:
        return ()
    return (Stretch(report.onset.from_s, report.onset.to_s, "cursor", label),)


def evidence_sheet(page: DiagnosisPage) -> Chart | None:
    """Evidence of the strongest signals in multiples of the alarm level; None when nothing was judged."""
    report = page.report
    if not len(report.evidence.time_s) or not report.level_nats > 0.0:
        return None
    strongest = report.evidence.nats.max(axis=0).argsort()[::-1][:STRONGEST]
    inks = ("measured", "model", "second", "faint")
    curves = tuple(
        Curve(
            report.evidence.time_s, np.minimum(report.evidence.nats[:, column] / report.level_nats, SHOWN_LEVELS),
            report.signal_names[column], ink,
        )
        for column, ink in zip(strongest, inks, strict=False)
    )  # fmt: skip
    alarm = MarkLine(1.0, "alarm level", "over", upright=False)
    return Chart(
        "Evidence that the run left its healthy behaviour", "time in the run (s)", "alarm levels", curves,
        lines=(alarm,), stretches=_interval(report, ""), x_span=run_span(page.view), y_span=(0.0, SHOWN_LEVELS),
    )  # fmt: skip


def map_sheet(view: RunView, title: str, blades: int | None) -> Chart | None:
    """Order map against time with the order at which ``blades`` pass; None where there is no map."""
    if view.picture is None or len(view.picture.time_s) < 2:
        return None
    span = run_span(view)
    heatmap = Heatmap(span, (float(view.picture.order[0]), float(view.picture.order[-1])), _shares(view.picture, span))
    label = f"order of shaft speed, {view.picture.axis.removesuffix('_g')}"
    pass_rule = () if blades is None else (MarkLine(float(blades), "blade pass", "cursor", upright=False),)
    return Chart(title, "time in the run (s)", label, lines=pass_rule, heatmap=heatmap, x_span=span, y_span=heatmap.y)


def _shares(picture: MapPicture, span: Span) -> np.ndarray:
    """Ink of each cell on an even grid of time, NaN where no frame is near."""
    usual_s = float(np.nanmedian(np.diff(picture.time_s)))
    at_s = np.linspace(*span, MAP_COLUMNS)
    known = np.isfinite(picture.time_s)
    time_s, level = picture.time_s[known], picture.level_db[known]
    nearest = np.clip(np.searchsorted((time_s[1:] + time_s[:-1]) / 2, at_s), 0, len(time_s) - 1)
    top = max(float(np.quantile(level, FULL_INK_SHARE)), FLOOR_DB + 1.0)
    shares = (level[nearest] - FLOOR_DB) / (top - FLOOR_DB)
    reach = np.maximum(np.abs(np.gradient(time_s))[nearest], usual_s) if len(time_s) > 1 else usual_s
    shares[np.abs(time_s[nearest] - at_s) > reach] = np.nan
    return np.asarray(np.clip(shares, 0.0, 1.0).T, dtype=np.float32)


def comparison_sheet(comparison: OrderComparison) -> Chart:
    """Amplitude of 1P against speed for both runs; speeds that a run never had are bridged."""
    curves = []
    for amplitude_g, label, ink in (
        (comparison.first_g, "this run", "measured"),
        (comparison.second_g, "beside", "second"),
    ):
        known = np.isfinite(amplitude_g)
        line = (comparison.rpm[known], amplitude_g[known])
        curves += [Curve(*line, label, ink), Curve(*line, "", ink, dots=True)]
    return Chart("1P against speed, both runs", "rpm", "g peak", tuple(curves))
