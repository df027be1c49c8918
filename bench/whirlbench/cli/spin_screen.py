"""What `spin` shows while the propeller turns: events as they come, and one block of readings and margins."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from whirlbench.cli.note_keys import NoteLine
from whirlbench.results.labels import event_words, spoken
from whirlbench.rig.description import Rig
from whirlbench.safety.margins import Margin, margins
from whirlbench.safety.reading_errors import mark, reading_stderr, with_stderr
from whirlbench.samples import Event
from whirlbench.session.engine import Progress
from whirlbench.session.plan import Clearance

READINGS = (
    ("rpm", "rpm", "{:.0f}"),
    ("current_a", "A", "{:.1f}"),
    ("voltage_v", "V", "{:.1f}"),
    ("thrust_n", "N", "{:.1f}"),
    ("pitch_deg", "deg", "{:.1f}"),
    ("vibration_g_rms", "g rms", "{:.2f}"),
)
BAR_CELLS = 24
CLOSE = 0.9  # share of a limit from which it is pointed out


class SpinScreen:
    """A context manager that draws on ``console``; on a console that is no terminal only events are printed."""

    def __init__(self, console: Console, rig: Rig, clearance: Clearance | None = None) -> None:
        """``clearance`` is shown throughout, an override of it above all."""
        self._console, self._rig, self._clearance = console, rig, clearance
        self._live = Live(console=console, auto_refresh=False, transient=True) if console.is_terminal else None
        self.note = NoteLine()
        self._told = 0
        self._failed = self._failure_told = False

    def __enter__(self) -> SpinScreen:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            with contextlib.suppress(OSError):
                self._live.stop()

    def failed_anew(self) -> bool:
        """Once, whether the terminal is gone: an operator who sees nothing supervises nothing."""
        told, self._failure_told = self._failure_told, self._failed
        return self._failed and not told

    def show(self, progress: Progress, events: tuple[Event, ...]) -> None:
        """Prints what is new among ``events`` and redraws the block; draws nothing more on a terminal that is gone."""
        if self._failed:
            return
        try:
            self._show(progress, events)
        except OSError:
            self._failed = True

    def tell(self, events: tuple[Event, ...]) -> None:
        """Prints what is new among ``events``."""
        for event in events[self._told :]:
            self._console.print(_event_line(event), markup=False, highlight=False, soft_wrap=True)
        self._told = len(events)

    def _show(self, progress: Progress, events: tuple[Event, ...]) -> None:
        self.tell(events)
        if self._live is not None:
            self._live.update(self._block(progress), refresh=True)

    def _block(self, progress: Progress) -> Group:
        parts: list[Text | Table] = [
            _headline(progress),
            *_clearance_lines(self._clearance),
            _readings(progress.values, self._rig),
            *_bars(margins(self._rig, progress.values)),
        ]
        parts += [
            Text(remark) for remark in (spoken(progress.message), spoken(progress.withheld), self.note.shown) if remark
        ]
        return Group(*parts)


def _event_line(event: Event) -> str:
    return f"{event.time_s:9.3f} s  {event.kind:<6} {event_words(event)}"


def _headline(progress: Progress) -> Text:
    step = f" · step {progress.step} of {progress.steps}, {progress.step_text}" if progress.step else ""
    state = progress.state or "not heard yet"
    return Text(f"{progress.time_s:8.1f} s · stand {state} · session {progress.phase}{step}", style="bold")


def _clearance_lines(clearance: Clearance | None) -> list[Text]:
    if clearance is None:
        return []
    overridden = clearance.override_sentence
    return [Text(clearance.sentence), *([Text(overridden, style="bold reverse")] if overridden else [])]


def _readings(values: Mapping[str, float], rig: Rig) -> Table:
    """Each known reading with its standard error; one beyond its calibration is marked."""
    table = Table.grid(padding=(0, 3))
    known = [(name, unit, form) for name, unit, form in READINGS if math.isfinite(values.get(name, math.nan))]
    table.add_row(*(_figure(form.format(values[name]), unit, name, values[name], rig) for name, unit, form in known))
    return table


def _figure(text: str, unit: str, name: str, value: float, rig: Rig) -> str:
    return " ".join(filter(None, (with_stderr(text, reading_stderr(rig, name, value)), unit, mark(rig, {name: value}))))


def _bars(found: tuple[Margin, ...]) -> list[Text]:
    """One line a limit: how much of it is in use; a share close to the limit is printed in reverse."""
    lines = []
    for margin in found:
        share = margin.share if math.isfinite(margin.share) else 0.0
        cells = min(BAR_CELLS, round(share * BAR_CELLS))
        line = f"{margin.label:<14} {'=' * cells:<{BAR_CELLS}}| {share:4.0%}  {margin.text()}"
        lines.append(Text(line, style="reverse" if share >= CLOSE else ""))
    return lines
