"""An operator who does what a plan asks: arms, starts, continues. For rehearsals, scripts and tests."""

from __future__ import annotations

from whirlbench.session.engine.actions import Progress
from whirlbench.session.engine.commands import Order, OrderKind
from whirlbench.session.engine.phases import Phase


class WillingOperator:
    """Gives each order once when its turn has come; never more than the plan asks for."""

    def __init__(self) -> None:
        self._armed = self._started = self._in_word = False

    def orders(self, progress: Progress) -> tuple[Order, ...]:
        """What to order in the situation that ``progress`` tells."""
        if progress.phase == Phase.READY and not self._armed:
            self._armed = True
            return (Order(OrderKind.ARM),)
        if progress.phase == Phase.RUNNING and not self._started:
            self._started = True
            return (Order(OrderKind.START),)
        word, self._in_word = self._in_word, progress.waits
        return (Order(OrderKind.CONTINUE),) if progress.waits and not word else ()
