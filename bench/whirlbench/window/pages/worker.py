"""A long computation in a process of its own, so that neither drawing nor a session's sign of life waits for it.

The work is a generator function that lives at the top of a module. It yields ``Doing`` lines while it computes, and
results when it has some, ``Early`` ones too; what a result's ``yield`` gives back is the next question. No Qt here.
"""

from __future__ import annotations

import contextlib
import io
import multiprocessing
import os
import pickle
import signal
import traceback
from collections.abc import Callable, Generator
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any

import numpy as np

from whirlbench.errors import BenchError, RigError

NICENESS = 10  # behind the session and the window, which have a stand to look after
PATIENCE_S = 5.0

Work = Callable[..., Generator[Any, Any, None]]


@dataclass(frozen=True)
class Doing:
    """What the work is at."""

    text: str


@dataclass(frozen=True)
class Early:
    """A result that is worth showing while the work goes on; no question is taken yet."""

    result: Any


@dataclass(frozen=True)
class Refusal:
    """Why there is no result: one line for the user; ``wants_rig``: another rig file would help."""

    text: str
    wants_rig: bool = False


class Worker:
    """One piece of work under way; close it, or use it as a context manager. Never blocks but in ``close``."""

    def __init__(self, work: Work, *args: object) -> None:
        context = multiprocessing.get_context("spawn")
        self._connection, theirs = context.Pipe()
        self._process = context.Process(
            target=_serve, args=(work, args, theirs), name=f"whirlbench {work.__name__}", daemon=True
        )
        self._process.start()
        theirs.close()
        self._closed = False

    def news(self) -> list[Any]:
        """Everything that has come since the last call: ``Doing``, ``Early``, ``Refusal`` or results, oldest first."""
        found: list[Any] = []
        with contextlib.suppress(OSError):
            while not self._closed and self._connection.poll():
                try:
                    found.append(_received(self._connection))
                except EOFError:
                    break
        return found

    def ask(self, question: object) -> None:
        """Sends the next question; one that is asked while an earlier one waits replaces it."""
        with contextlib.suppress(OSError):  # the work has ended: alive() tells
            self._connection.send(question)

    def alive(self) -> bool:
        """Whether there is anybody left to answer; what they said last may still be waiting in ``news``."""
        return not self._closed and self._process.is_alive()

    def close(self) -> None:
        """Ends the work, finished or not."""
        if self._closed:
            return
        self._closed = True
        self._process.terminate()
        self._process.join(PATIENCE_S)
        self._connection.close()

    def __enter__(self) -> Worker:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _serve(work: Work, args: tuple[object, ...], connection: Connection) -> None:
    """What runs in the process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the window decides when this ends
    if hasattr(os, "nice"):
        os.nice(NICENESS - min(0, os.nice(0)))  # not ahead of anything, although the window beside a session is
    try:
        _converse(work(*args), connection)
    except (EOFError, OSError):
        return  # the window has gone
    finally:
        connection.close()


def _converse(answers: Generator[Any, Any, None], connection: Connection) -> None:
    try:
        answer = next(answers)
        while True:
            _send(connection, answer)
            answer = answers.send(None if isinstance(answer, (Doing, Early)) else _latest(connection))
    except StopIteration:
        return
    except BenchError as error:
        _send(connection, Refusal(str(error), isinstance(error, RigError)))
    except (EOFError, OSError):
        raise
    except Exception as error:
        traceback.print_exc()
        _send(connection, Refusal(f"internal error ({type(error).__name__}: {error}); see the terminal"))


class _Packer(pickle.Pickler):
    """Packs an array that is one number throughout (``without_repeats``) as that number."""

    def reducer_override(self, obj: Any) -> Any:
        """How an object is packed; NotImplemented leaves it to the usual way."""
        if isinstance(obj, np.ndarray) and obj.ndim == 1 and obj.strides == (0,) and len(obj):
            return np.broadcast_to, (obj[0], obj.shape)
        return NotImplemented


def _send(connection: Connection, answer: Any) -> None:
    """Sends ``answer``, its arrays as they lie in memory: an hour's run must not stand there twice on its way."""
    arrays: list[pickle.PickleBuffer] = []
    packed = io.BytesIO()
    _Packer(packed, protocol=5, buffer_callback=arrays.append).dump(answer)
    connection.send((packed.getvalue(), len(arrays)))
    for array in arrays:
        connection.send_bytes(array.raw())


def _received(connection: Connection) -> Any:
    """What ``_send`` sent; its arrays cannot be written to."""
    packed, arrays = connection.recv()
    return pickle.loads(packed, buffers=[connection.recv_bytes() for _ in range(arrays)])


def _latest(connection: Connection) -> Any:
    """The newest question that is waiting; waits for one if there is none."""
    question = connection.recv()
    while connection.poll():
        question = connection.recv()
    return question
