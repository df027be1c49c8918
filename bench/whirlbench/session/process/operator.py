"""An operator who does what a plan asks: arms, starts, continues. For rehearsals, scripts and tests."""

from __future__ import annotations

from whirlbench.session.engine import Command, CommandKind, Phase, Progress


class WillingOperator:
    """Gives each command once when its turn has come; never more than the plan asks for."""

    def __init__(self) -> None:
        self._armed = self._started = self._in_word = False

    def commands(self, progress: Progress) -> tuple[Command, ...]:
        """What to command in the situation that ``progress`` tells."""
        if progress.phase == Phase.READY and not self._armed:
            self._armed = True
            return (Command(CommandKind.ARM),)
        if progress.phase == Phase.RUNNING and not self._started:
            self._started = True
            return (Command(CommandKind.START),)
        word, self._in_word = self._in_word, progress.waits
        return (Command(CommandKind.CONTINUE),) if progress.waits and not word else ()
