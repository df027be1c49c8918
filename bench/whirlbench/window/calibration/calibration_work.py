"""A guided calibration as the window carries it on: what is asked, what is read, what was refused. Knows no Qt.

The guide is the one of the terminal; here its readings are taken turn by turn, so that nothing ever waits.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Protocol

from whirlbench.calibration.guide import CalibrationGuide, Setting, servo_range
from whirlbench.calibration.steady_reading import SteadyReading
from whirlbench.errors import BenchError, CalibrationError
from whirlbench.results.answer import Answer
from whirlbench.results.stand import Calibrated, calibrated
from whirlbench.rig.description import Rig
from whirlbench.session.still import (
    Procedure,
    StillLoop,
    agree,
    identify,
    lock,
    put_servo,
    read,
    still_table,
)

SERVO_WORDS = "open the isolator, keep everybody off the propeller, and say so before the servo is moved"


class Helper(Protocol):
    """Somebody at a simulated stand."""

    def proposal(self, setting: Setting) -> str:
        """What would be typed."""

    def do(self, setting: Setting, typed: float | None) -> None:
        """Puts on the sensor what the setting asks for."""


class Doing(StrEnum):
    """What goes on."""

    WAITING = "waiting for you"
    CONNECTING = "looking for the device"
    MOVING = "moving the servo: hands off"
    READING = "reading: let everything stand still"
    FINISHED = "every point is taken"
    FAILED = "failed"


class CalibrationWork:
    """One channel under way on one stand; ``points`` holds every point as soon as it is taken."""

    def __init__(
        self, channel: str, rig: Rig, loop: StillLoop, points: Path, helper: Helper | None = None, clear: bool = False
    ) -> None:
        """``clear``: the operator said that isolator and propeller are; CalibrationError where a servo needs that."""
        self.guide = CalibrationGuide(channel, rig)
        self.points = points
        self.message = ""
        self._rig, self._loop, self._helper = rig, loop, helper
        setting = self.guide.setting
        if setting is not None and setting.servo_us is not None and not clear:
            raise CalibrationError(f"{channel}: {SERVO_WORDS}")
        self._table = still_table(rig, servo_range(rig) if setting is not None and setting.servo_us else None)
        self.doing = Doing.CONNECTING
        self._procedure: Procedure[None] | None = self._begin()
        self._typed: float | None = None

    def tick(self) -> None:
        """One turn of the loop, and one step of what goes on; a failure is a message, not an error."""
        try:
            self._loop.turn()
            if self._procedure is not None:
                next(self._procedure)
        except StopIteration:
            self._procedure = None
        except BenchError as error:
            self._procedure = None
            self.message = str(error)
            if not isinstance(error, CalibrationError):
                self.doing = Doing.FAILED

    @property
    def text(self) -> str:
        """What the operator is to do now."""
        setting = self.guide.setting
        return setting.text if setting is not None else "Every point is taken."

    @property
    def proposal(self) -> str:
        """What somebody at the simulated stand would type; empty at a real one."""
        setting = self.guide.setting
        return (
            self._helper.proposal(setting) if self._helper is not None and setting is not None and setting.asks else ""
        )

    @property
    def may_take(self) -> bool:
        """Whether a point can be taken now."""
        return self.doing is Doing.WAITING and self._procedure is None

    def take(self, text: str) -> None:
        """Begins the reading of a point with what was typed; a refusal is in ``message``."""
        setting = self.guide.setting
        if not self.may_take or setting is None:
            return
        try:
            self._typed = self.guide.number(text) if setting.asks else None
        except CalibrationError as error:
            self.message = str(error)
            return
        if self._helper is not None:
            self._helper.do(setting, self._typed)
        self.doing, self.message = Doing.READING, ""
        self._procedure = self._point(setting)

    def undo(self) -> None:
        """Takes the latest point back."""
        if self.may_take or self.doing is Doing.FINISHED:
            self.guide.undo()
            self._save()
            self._procedure = self._next()

    def live(self) -> dict[str, tuple[float, SteadyReading | None]]:
        """By signal of the present setting: the latest counts, and the reading since the last point (None: too few)."""
        setting, stand = self.guide.setting, self._loop.stand
        latest = stand.latest_counts()
        signals = [self.guide.signal(column) for column in setting.reads] if setting is not None else []
        return {name: (latest.get(name, math.nan), self._so_far(name)) for name in signals}

    def result(self) -> Calibrated:
        """What the points give so far; CalibrationError says why nothing."""
        if self.guide.objection():
            raise CalibrationError(f"{self.guide.channel}: {self.guide.objection()}")
        return calibrated(self.guide.channel, self.points, self._rig, date.today().isoformat())

    def answer(self) -> Answer | None:
        """The answer so far; None, and the reason in ``message``, where there is none."""
        try:
            return self.result().answer
        except CalibrationError as error:
            self.message = self.message or str(error)
            return None

    def _so_far(self, name: str) -> SteadyReading | None:
        try:
            return self._loop.stand.readings((name,))[name]
        except CalibrationError:
            return None

    def _begin(self) -> Procedure[None]:
        stand, setting = self._loop.stand, self.guide.setting
        if setting is not None and (setting.reads or setting.servo_us is not None):
            yield from identify(stand)
            yield from lock(stand)
            yield from agree(stand, self._table)
        yield from self._next()

    def _next(self) -> Procedure[None]:
        setting = self.guide.setting
        if setting is None:
            self.doing = Doing.FINISHED
            return
        if setting.servo_us is not None:
            self.doing = Doing.MOVING
            yield from put_servo(self._loop.stand, self._table, setting.servo_us, setting.approach_us)
        self.doing = Doing.WAITING
        self._loop.stand.forget()

    def _point(self, setting: Setting) -> Procedure[None]:
        readings: Mapping[str, SteadyReading] = {}
        try:
            if setting.reads:
                readings = yield from read(self._loop.stand, [self.guide.signal(name) for name in setting.reads])
            self.guide.take(self._typed, readings)
        except CalibrationError as error:
            self.doing, self.message = Doing.WAITING, str(error)
            return
        self._save()
        yield from self._next()

    def _save(self) -> None:
        try:
            self.points.write_text(self.guide.table(), encoding="utf-8")
        except OSError as error:
            self.message = f"{self.points}: cannot be written ({error.strerror or error}); the points are not saved"
