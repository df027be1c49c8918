"""Milliseconds a frame of the live page with full buffers: `python tests/benchmarks/window_frames.py`.

Beside it in the same run, in turns, what the page would cost if it were done naively: the same quantities at full
resolution on an axis that scrolls. Both unthrottled, 1280 x 900, one core. Processor time is what counts; wall time is
given, too, and means little on a machine that does other work.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from types import SimpleNamespace

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("QT_FONT_DPI", "96")

import numpy as np
import pyqtgraph as pg
from PyQt5 import QtWidgets

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import SLOW_CHANNELS
from whirlbench.session.engine import Progress, SlowRecord, VibrationRecord
from whirlbench.session.process import VALUE_NAMES, SharedView
from whirlbench.window.drawing import palette, strip_charts
from whirlbench.window.live.spin_panel import SpinPanel
from whirlbench.window.stand_state.live_state import SHOWN_S

SLOW_HZ, VIBRATION_HZ, BLOCK = 500, 3200, 16
FRAME_S = 1 / 60
FRAMES, ROUNDS = 100, 3
SIZE = (1280, 900)
G_PER_COUNT = 0.0039
NAIVE_CHANNELS = 7


class Stand:
    """Fills the shared view as a session does; what the page asks of a session handle."""

    def __init__(self) -> None:
        self.view = SharedView()
        self._rng = np.random.default_rng(1)
        self._slow_s = self._vibration_s = 0.0
        self.view.show_progress(Progress("running", "turning", values=dict.fromkeys(VALUE_NAMES, 100.0)))

    def advance(self, seconds: float) -> None:
        """More samples of every kind."""
        slow_s = np.arange(self._slow_s, self._slow_s + seconds, 1 / SLOW_HZ)
        self._slow_s += len(slow_s) / SLOW_HZ
        noise = self._rng.standard_normal((len(SLOW_CHANNELS), len(slow_s)))
        values = {channel.name: 100.0 + row for channel, row in zip(SLOW_CHANNELS, noise, strict=True)}
        self.view.show([SlowRecord(slow_s, values, {})], G_PER_COUNT)
        while self._vibration_s < self._slow_s:
            counts = self._rng.integers(-300, 300, (BLOCK, 3)).astype(np.int16)
            self.view.show([VibrationRecord(self._vibration_s, 1 / VIBRATION_HZ, 0, counts)], G_PER_COUNT)
            self._vibration_s += BLOCK / VIBRATION_HZ

    def handle(self) -> SimpleNamespace:
        """The session handle, as far as the page asks."""
        return SimpleNamespace(
            view=self.view, state=self.view.progress, outcome=lambda: None, alive=lambda: True, command=lambda *_: None
        )

    def close(self) -> None:
        """Gives the memory back."""
        self.view.close()
        self.view.unlink()


class NaiveStack(QtWidgets.QWidget):
    """Every sample of seven channels and one axis of vibration, on an axis of time that scrolls."""

    def __init__(self) -> None:
        super().__init__()
        layout = QtWidgets.QVBoxLayout(self)
        rng = np.random.default_rng(2)
        self._now_s = SHOWN_S
        self._streams = []
        for rate_hz in (*[SLOW_HZ] * NAIVE_CHANNELS, VIBRATION_HZ):
            plot = pg.PlotWidget()
            layout.addWidget(plot)
            time_s = np.arange(0.0, SHOWN_S, 1 / rate_hz)
            self._streams.append((plot, plot.plot(), time_s, 100.0 + rng.standard_normal(len(time_s))))

    def advance(self) -> None:
        """One frame: everything moves to the left by what has come."""
        self._now_s += FRAME_S
        for plot, curve, time_s, values in self._streams:
            shift = max(1, round(FRAME_S / (time_s[1] - time_s[0])))
            values[:] = np.roll(values, -shift)
            time_s += FRAME_S
            curve.setData(time_s, values)
            plot.setXRange(self._now_s - SHOWN_S, self._now_s, padding=0)


def frame_ms(app: QtWidgets.QApplication, advance: Callable[[], object]) -> tuple[float, float]:
    """(processor, wall) milliseconds a frame, painting included."""
    for _ in range(10):
        advance()
        app.processEvents()
    cpu_s, wall_s = time.process_time(), time.perf_counter()
    for _ in range(FRAMES):
        advance()
        app.processEvents()
    return 1e3 * (time.process_time() - cpu_s) / FRAMES, 1e3 * (time.perf_counter() - wall_s) / FRAMES


def main() -> None:
    """Measures in turns and prints the best and the middle of each."""
    app = QtWidgets.QApplication([])
    app.setStyleSheet(palette.style_sheet())
    strip_charts.set_look()
    stand = Stand()
    stand.advance(SHOWN_S + 1.0)
    page = SpinPanel(stand.handle(), parse_rig(example_rig_text()))  # type: ignore[arg-type]
    naive = NaiveStack()

    def live_frame() -> None:
        page.advance()

    def fed_frame() -> None:
        stand.advance(FRAME_S)
        page.advance()

    cases = (("live page, standing data", page, live_frame), ("live page, new samples", page, fed_frame))
    cases += (("naive stack", naive, naive.advance),)
    found: dict[str, list[tuple[float, float]]] = {name: [] for name, *_ in cases}
    for _ in range(ROUNDS):
        for name, widget, advance in cases:
            widget.resize(*SIZE)
            widget.show()
            app.processEvents()
            found[name].append(frame_ms(app, advance))
            widget.hide()
    print(f"{'':28}{'cpu ms, best':>14}{'cpu ms, middle':>16}{'wall ms, best':>15}")
    for name, pairs in found.items():
        cpu, wall = np.array(pairs).T
        print(f"{name:28}{cpu.min():14.2f}{np.median(cpu):16.2f}{wall.min():15.2f}")
    best = [min(cpu for cpu, _ in found[name]) for name in ("live page, new samples", "naive stack")]
    print(f"\nnaive / live page: {best[1] / best[0]:.1f}")
    page.close()
    naive.close()
    stand.close()


if __name__ == "__main__":
    main()
