"""A live session: its own process with port, clock and recording, and the surface's end of it.

``start`` gives a ``SessionHandle``; ``SessionSpec`` says what the session is made of. ``lockstep`` is the same engine
on a virtual clock. Arrows go one way: spec, record_writing, coast_down, recording_process, recorder, loop, handle.
"""

from whirlbench.session.process.handle import SessionHandle, start
from whirlbench.session.process.live_view import VALUE_NAMES, SharedView
from whirlbench.session.process.lockstep import run_in_lockstep
from whirlbench.session.process.operating_system import EndingRequests
from whirlbench.session.process.operator import WillingOperator
from whirlbench.session.process.record_writing import write as write_records
from whirlbench.session.process.spec import Port, SessionSpec

__all__ = [
    "VALUE_NAMES",
    "EndingRequests",
    "Port",
    "SessionHandle",
    "SessionSpec",
    "SharedView",
    "WillingOperator",
    "run_in_lockstep",
    "start",
    "write_records",
]
