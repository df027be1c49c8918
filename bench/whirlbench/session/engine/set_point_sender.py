"""Turns wanted set-points into commands, when they change and no oftener than the link bears."""

from __future__ import annotations

from whirlbench.link.messages import Message, Pitch, Request, Throttle
from whirlbench.link.outbox import Exchange
from whirlbench.session.plan import Controls, SetPoints

WATCHED = 8  # latest set-points whose answers may still be on their way
PERIOD_S = 0.02  # 50 set-points a second leave most of the link to heartbeats and the rest


class SetPointSender:
    """Remembers what was sent last."""

    def __init__(self, controls: Controls) -> None:
        self._controls = controls
        self._sent: dict[str, int] = {}
        self._at_s: float | None = None
        self._watched: list[Exchange] = []

    def ready(self, now_s: float) -> bool:
        """Whether the period since the last turn is over."""
        return self._at_s is None or now_s - self._at_s >= PERIOD_S - 1e-9

    def commands(self, now_s: float, wanted: SetPoints) -> list[Message]:
        """Commands for what differs from the last ones sent."""
        self._at_s = now_s
        commands: list[Message] = []
        request_rpm = round(wanted.request_rpm) if wanted.request_rpm is not None else None
        pulse_us = self._controls.request_pulse_us(request_rpm) if request_rpm else None
        if self._controls.governor_mode != "throttle" or wanted.throttle_us <= self._controls.rig.throttle.safe_us:
            self._add(commands, "throttle", round(pulse_us if pulse_us is not None else wanted.throttle_us))
        if self._controls.governor_mode != "pitch" and wanted.servo_us:
            self._add(commands, "servo", round(wanted.servo_us))
        if request_rpm is not None:
            self._add(commands, "request", request_rpm)
        return commands

    def _add(self, commands: list[Message], name: str, value: int) -> None:
        if self._sent.get(name) == value:
            return
        self._sent[name] = value
        kind = {"throttle": Throttle, "servo": Pitch, "request": Request}[name]
        commands.append(kind(value))

    def assume(self, throttle_us: int, servo_us: int) -> None:
        """What the device holds now, as telemetry shows it: need not be sent."""
        self._sent = {"throttle": throttle_us, "servo": servo_us}

    def watch(self, exchange: Exchange) -> None:
        """Keeps the exchange of a set-point in sight until its answer is in."""
        self._watched = [*self._watched, exchange][-WATCHED:]

    def refused(self) -> Exchange | None:
        """A set-point that the device has not taken since the last look; None when it took all."""
        refused = [exchange for exchange in self._watched if exchange.complaint()]
        self._watched = [exchange for exchange in self._watched if exchange.answer is None]
        return refused[0] if refused else None
