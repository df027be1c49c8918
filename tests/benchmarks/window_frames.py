"""Milliseconds a frame of the live page beside bare charts: `python tests/benchmarks/window_frames.py [--scale 1.5]`.

In turns in the same run, unthrottled, 1280 x 900, one core:

- the live page, fed a sixtieth of a second of samples a frame, with strips and figures (state, margins, peaks, times to
  the limit) brought up to date as often as in the program, and in every frame;
- eight bare charts of a plotting library over the same 60 s, seven channels at 500/s and one at 3.2 kHz, on fixed axes,
  with pens of one pixel, their lines reduced to the width beforehand: the cheapest way there is to draw them;
- a naive stack: every sample, on an axis that scrolls.

Processor time counts; wall time means little on a computer that does other work. What the session's process spends on
showing the samples (there vibration becomes blocks) is counted to the live page: the cost of all that is drawn.
"""

from __future__ import annotations

import argparse
import itertools
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import numpy as np

SLOW_HZ, VIBRATION_HZ, BLOCK = 500, 3200, 16
FRAME_S, SHOWN_S = 1 / 60, 60.0
FRAMES, NAIVE_FRAMES, ROUNDS = 120, 12, 3
SIZE = (1280, 900)
G_PER_COUNT = 0.0039
SLOW_CHARTS, COLUMNS, READY = 7, 1180, 4
ASKED = 0.2  # of bare charts


class Stand:
    """Fills the shared view as a session does; what the page asks of a session handle."""

    def __init__(self) -> None:
        from whirlbench.session.engine import Progress
        from whirlbench.session.process import VALUE_NAMES, SharedView

        self.view = SharedView()
        self._rng = np.random.default_rng(1)
        self._slow = self._blocks = 0
        self._values = dict.fromkeys(VALUE_NAMES, 100.0)
        self._progress = Progress
        self.advance(SHOWN_S + 1.0)

    def advance(self, seconds: float) -> None:
        """More samples of every kind, and a status with the newest of them, as after a turn of the session."""
        from whirlbench.samples import SLOW_CHANNELS
        from whirlbench.session.engine import SlowRecord, VibrationRecord

        slow_s = np.arange(self._slow, self._slow + round(seconds * SLOW_HZ)) / SLOW_HZ
        self._slow += len(slow_s)
        noise = self._rng.standard_normal((len(SLOW_CHANNELS), len(slow_s)))
        values = {channel.name: 100.0 + row for channel, row in zip(SLOW_CHANNELS, noise, strict=True)}
        self.view.show([SlowRecord(slow_s, values, {})], G_PER_COUNT)
        while self._blocks * BLOCK / VIBRATION_HZ < slow_s[-1]:
            counts = self._rng.integers(-300, 300, (BLOCK, 3)).astype(np.int16)
            at_s = self._blocks * BLOCK / VIBRATION_HZ
            self.view.show([VibrationRecord(at_s, 1 / VIBRATION_HZ, 0, counts)], G_PER_COUNT)
            self._blocks += 1
        self._values.update((name, float(row[-1])) for name, row in values.items())
        counters = {"good": 1, "heartbeats": 1}
        shown = self._progress("running", "turning", "", float(slow_s[-1]), values=self._values, counters=counters)
        self.view.show_progress(shown)

    def handle(self) -> SimpleNamespace:
        """The session handle, as far as the page asks."""
        return SimpleNamespace(
            view=self.view,
            heard=self.view.heard,
            state=self.view.progress,
            outcome=self.view.outcome,
            alive=lambda: True,
            command=lambda *_: None,
        )

    def close(self) -> None:
        """Gives the memory back."""
        self.view.close()
        self.view.unlink()


def charts_of(samples: list[tuple[np.ndarray, np.ndarray]]) -> tuple[Any, list[tuple[Any, Any]]]:
    """A widget with a bare chart for each series, and the charts with their curves."""
    import pyqtgraph as pg
    from PyQt5 import QtWidgets

    pg.setConfigOptions(antialias=False)
    widget, charts = QtWidgets.QWidget(), []
    layout = QtWidgets.QVBoxLayout(widget)
    for _ in samples:
        plot = pg.PlotWidget()
        layout.addWidget(plot)
        charts.append((plot, plot.plot(pen=pg.mkPen("w", width=1))))
    return widget, charts


def series() -> list[tuple[np.ndarray, np.ndarray]]:
    """60 s of seven slow channels and of one axis of vibration: times from -60 s to 0, and values."""
    rng, found = np.random.default_rng(2), []
    for rate_hz in (*[SLOW_HZ] * SLOW_CHARTS, VIBRATION_HZ):
        time_s = np.arange(-SHOWN_S, 0.0, 1 / rate_hz)
        found.append((time_s, 100.0 + rng.standard_normal(len(time_s))))
    return found


def bare_charts() -> tuple[Any, Callable[[], None]]:
    """Charts on fixed axes that are given lines reduced beforehand: what drawing them costs, and nothing else."""
    from whirlbench.window.drawing.decimation import outline

    samples = series()
    widget, charts = charts_of(samples)
    lines = [[outline(x, np.roll(y, 16 * place), COLUMNS) for place in range(READY)] for x, y in samples]
    frames = itertools.count()
    for (plot, _), (_, values) in zip(charts, samples, strict=True):
        plot.setXRange(-SHOWN_S, 0.0, padding=0)
        plot.setYRange(values.min(), values.max())

    def frame() -> None:
        place = next(frames) % READY
        for (_, curve), ready in zip(charts, lines, strict=True):
            curve.setData(ready[place].x, ready[place].y)

    return widget, frame


def naive_stack() -> tuple[Any, Callable[[], None]]:
    """Every sample on an axis that scrolls."""
    samples = series()
    widget, charts = charts_of(samples)
    now_s = [0.0]

    def frame() -> None:
        now_s[0] += FRAME_S
        for (plot, curve), (time_s, values) in zip(charts, samples, strict=True):
            shift = max(1, round(FRAME_S / (time_s[1] - time_s[0])))
            values[:-shift], values[-shift:] = values[shift:], values[:shift].copy()
            curve.setData(time_s + now_s[0], values)
            plot.setXRange(now_s[0] - SHOWN_S, now_s[0], padding=0)

    return widget, frame


@dataclass
class Case:
    """What is measured: a widget, what comes before a frame (not of the widget), and a frame."""

    name: str
    widget: Any
    frame: Callable[[], object]
    before: Callable[[], object] = lambda: None
    frames: int = FRAMES
    cpu_ms: list[np.ndarray] = field(default_factory=list)  # of each frame, a row a round
    before_ms: list[float] = field(default_factory=list)

    def measure(self, app: Any) -> None:
        """A round: every frame with its painting."""
        self.widget.resize(*SIZE)
        self.widget.show()
        for _ in range(10):
            self.before()
            self.frame()
            app.processEvents()
        found = np.empty((self.frames, 3))
        for row in found:
            row[0] = time.process_time()
            self.before()
            row[1] = time.process_time()
            self.frame()
            app.processEvents()
            row[2] = time.process_time()
        self.cpu_ms.append(1e3 * (found[:, 2] - found[:, 1]))
        self.before_ms.append(1e3 * float(np.mean(found[:, 1] - found[:, 0])))
        self.widget.hide()
        app.processEvents()

    @property
    def best_ms(self) -> float:
        """Mean of the frames of the best round: other work on the computer only adds."""
        return min(float(np.mean(row)) for row in self.cpu_ms)


def live_case(name: str, stand: Stand, due: Callable[[int], dict[str, bool]]) -> Case:
    """The live page with what is ``due`` in each frame."""
    from whirlbench.rig.toml import example_rig_text, parse_rig
    from whirlbench.window.live.spin_panel import SpinPanel

    handle, frames = stand.handle(), [0]
    page = SpinPanel(handle, parse_rig(example_rig_text()))  # type: ignore[arg-type]

    def frame() -> None:
        handle.heard()
        page.advance(**due(frames[0]))
        frames[0] += 1

    return Case(name, page, frame, lambda: stand.advance(FRAME_S))


def table(app: Any, rounds: int = ROUNDS) -> list[str]:
    """Measures in turns; the lines of the table."""
    from whirlbench.window.live.bridge import due

    stand = Stand()
    live = [live_case("live page, as in the program", stand, due)]
    live.append(live_case("live page, all in each frame", stand, lambda frame: {}))
    cases = [*live, Case("bare charts", *bare_charts()), Case("naive stack", *naive_stack(), frames=NAIVE_FRAMES)]
    for _ in range(rounds):
        for case in cases:
            case.measure(app)
    bare_ms, shown_ms = cases[2].best_ms, min(live[0].before_ms)
    lines = [f"8 channels x 60 s, {SIZE[0]} x {SIZE[1]}; processor ms a frame, x: of bare charts"]
    lines.append(f"{'':32}{'mean':>8}{'p99':>8}{'x':>8}")
    for case in cases:
        p99_ms = min(float(np.percentile(row, 99)) for row in case.cpu_ms)
        lines.append(f"{case.name:32}{case.best_ms:8.2f}{p99_ms:8.2f}{case.best_ms / bare_ms:8.2f}")
        case.widget.close()
    stand.close()
    whole = (live[0].best_ms + shown_ms) / bare_ms
    held = "held" if whole <= ASKED else "NOT HELD"
    lines.append(f"{'the session shows the samples':32}{shown_ms:8.2f}{'':8}{shown_ms / bare_ms:8.2f}")
    return [*lines, f"live page with that: {whole:.2f} of bare charts, asked {ASKED:g}: {held}"]


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scale", type=float, default=1.0, help="of the screen")
    asked = parser.parse_args()
    os.environ.update(QT_SCALE_FACTOR=f"{asked.scale:g}")
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    os.environ.setdefault("QT_FONT_DPI", "96")
    from PyQt5 import QtWidgets

    from whirlbench.window.drawing import palette

    app = QtWidgets.QApplication([])
    app.setStyleSheet(palette.style_sheet())
    print(*table(app), sep="\n")


if __name__ == "__main__":
    main()
