"""The desk where the operator's orders arrive: each is carried out, or refused with a reason in plain words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from whirlbench.errors import BenchError, PlanError
from whirlbench.link.messages import Reason
from whirlbench.link.outbox import Exchange
from whirlbench.rig.description import servo_ends
from whirlbench.safety.state_table import Stand
from whirlbench.session.engine.actions import Ending, NoteRecord
from whirlbench.session.engine.commands import Order, OrderKind
from whirlbench.session.engine.governor_parameters import governor_parameter
from whirlbench.session.engine.phases import Phase
from whirlbench.session.plan.supervision import Wish

if TYPE_CHECKING:
    from whirlbench.session.engine.engine import Engine


class Desk:
    """Carries out orders on an engine."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._parameters: list[tuple[Order, Exchange]] = []  # of the governor, whose answers are awaited

    def obey(self, orders: Sequence[Order]) -> None:
        """All ``orders``, an abort before any other."""
        for order in sorted(orders, key=lambda order: order.kind is not OrderKind.ABORT):
            try:
                _CARRY_OUT[order.kind](self, order)
            except BenchError as error:
                self._refuse(order, str(error))
        self._tell_parameters()

    def _refuse(self, order: Order, why: str) -> None:
        self._engine.message = f"{order.kind}: {why}"
        self._engine.note("note", f"{order.kind} refused", why)

    def _abort(self, _order: Order) -> None:
        engine = self._engine
        engine.plan_run, engine.wish = None, Wish.NONE
        engine.abort(Reason.OPERATOR_ABORT)
        if engine.watch.state in (None, Stand.LOCKED) and engine.phase is not Phase.COASTING and not engine.keep_open:
            engine.end(Ending.ABORTED, "aborted while locked")
        elif engine.phase is Phase.ARMING:
            engine.leave_arming()

    def _arm(self, order: Order) -> None:
        if self._engine.phase is not Phase.READY:
            self._refuse(order, f"only from ready, the session is {self._engine.phase}")
        else:
            self._engine.arm()

    def _start(self, order: Order) -> None:
        engine = self._engine
        if engine.plan is None:
            self._refuse(order, "there is no plan")
        elif engine.phase is not Phase.RUNNING or engine.plan_run is not None:
            self._refuse(order, "only once, while armed")
        else:
            engine.start_plan()

    def _continue(self, order: Order) -> None:
        run = self._engine.plan_run
        if run is None or not run.told():
            self._refuse(order, "no inspection is waiting for it")

    def _disarm(self, order: Order) -> None:
        if self._engine.phase in (Phase.RUNNING, Phase.ARMING):
            self._engine.wind_down()
        else:
            self._refuse(order, f"nothing is armed, the session is {self._engine.phase}")

    def _reset(self, order: Order) -> None:
        engine = self._engine
        if engine.watch.state is not Stand.TRIPPED or engine.phase is not Phase.TRIPPED:
            self._refuse(order, "only when tripped and at rest")
        else:
            engine.reset()

    def _finish(self, _order: Order) -> None:
        engine = self._engine
        engine.finish_wanted = True
        if engine.phase in (Phase.RUNNING, Phase.ARMING):
            engine.wind_down()
        elif engine.phase in (Phase.CONNECTING, Phase.AGREEING):
            engine.end(Ending.DONE, "finished before arming")

    def _by_hand(self, order: Order) -> None:
        """Throttle, servo, pitch, request: only while armed and no plan has the levers."""
        engine = self._engine
        rig, points = engine.rig, engine.set_points
        safe = order.kind is OrderKind.THROTTLE and order.value <= rig.throttle.safe_us
        if engine.phase is not Phase.RUNNING:
            raise PlanError(f"only while armed, the session is {engine.phase}")
        if engine.plan_run is not None:
            if not safe:
                raise PlanError("a plan has the levers; abort or disarm")
            engine.wind_down()
            return
        if order.kind is OrderKind.REQUEST:
            _within("request_rpm", order.value, 0.0, rig.limits.overspeed_rpm or float("inf"))
            points.request_rpm = order.value
        elif order.kind is OrderKind.THROTTLE:
            _within("throttle_us", order.value, rig.throttle.safe_us, rig.throttle.max_us)
            points.throttle_us = order.value
            points.request_rpm = 0.0 if points.request_rpm else points.request_rpm
        else:
            self._move_servo(order)

    def _move_servo(self, order: Order) -> None:
        controls = self._engine.controls
        pulse_us = controls.servo_us(order.value) if order.kind is OrderKind.PITCH else order.value
        controls.pitch_curve()  # nobody moves a servo without a table
        low, high = servo_ends(self._engine.rig)
        _within("servo_us", pulse_us, low, high)
        self._engine.set_points.servo_us = pulse_us

    def _governor(self, order: Order) -> None:
        command = governor_parameter(order.text, order.value)
        self._parameters.append((order, self._engine.conversation.send(command)))

    def _tell_parameters(self) -> None:
        """A governor's parameter is on record once the device holds it, not before."""
        for order, exchange in self._parameters:
            if exchange.done:
                self._engine.note("note", f"governor {order.text}", f"{order.value:g}")
            elif exchange.complaint():
                self._refuse(order, exchange.complaint())
        self._parameters = [(order, exchange) for order, exchange in self._parameters if exchange.pending]

    def _note(self, order: Order) -> None:
        self._engine.record(NoteRecord(self._engine.telemetry.time_s, order.text))


def _within(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise PlanError(f"{name} {value:g} is outside {low:g} to {high:g}")


_CARRY_OUT: dict[OrderKind, Callable[[Desk, Order], None]] = {
    OrderKind.ABORT: Desk._abort,
    OrderKind.ARM: Desk._arm,
    OrderKind.START: Desk._start,
    OrderKind.CONTINUE: Desk._continue,
    OrderKind.DISARM: Desk._disarm,
    OrderKind.RESET: Desk._reset,
    OrderKind.FINISH: Desk._finish,
    OrderKind.THROTTLE: Desk._by_hand,
    OrderKind.SERVO: Desk._by_hand,
    OrderKind.PITCH: Desk._by_hand,
    OrderKind.REQUEST: Desk._by_hand,
    OrderKind.GOVERNOR: Desk._governor,
    OrderKind.NOTE: Desk._note,
}
