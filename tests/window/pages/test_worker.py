"""Work in a process of its own: results, questions, refusals, and an end whenever it is wanted."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
import tracemalloc
from typing import Any

import numpy as np
import page_runs
import pytest

from whirlbench.samples import SlowSamples
from whirlbench.window.pages.worker import Doing, Refusal, Worker, _send, _serve


def collected(worker: Worker, count: int, timeout_s: float = 20.0) -> list[Any]:
    found: list[Any] = []
    deadline = time.monotonic() + timeout_s
    while len(found) < count and time.monotonic() < deadline:
        found += worker.news()
        time.sleep(0.01)
    return found


def test_progress_comes_before_the_result_and_questions_get_answers() -> None:
    with Worker(page_runs.doubling, 4.0) as worker:
        assert collected(worker, 2) == [Doing("doubling"), 8.0]
        worker.ask(5.0)
        assert collected(worker, 1) == [10.0]


def test_a_run_comes_as_it_was_and_blanks_take_no_memory() -> None:
    counts = (0, 1, 3, 200_000)
    with Worker(page_runs.long_rows, counts) as worker:
        (runs,) = collected(worker, 1)
    for rows, slow in zip(counts, runs, strict=True):
        assert np.array_equal(slow.time_s, np.arange(float(rows))) and np.array_equal(slow.rpm, slow.time_s)
        assert slow.speed_request_rpm.shape == (rows,) and np.isnan(slow.speed_request_rpm).all()
        assert rows < 3 or slow.speed_request_rpm.strides == slow.thrust_n.strides == (0,)


def test_arrays_are_not_packed_into_a_second_copy_to_be_sent() -> None:
    rows = 1 << 20
    theirs, ours = multiprocessing.get_context("spawn").Pipe()
    sending = threading.Thread(target=_send, args=(ours, SlowSamples(np.zeros(rows))))
    tracemalloc.start()
    sending.start()
    packed, arrays = theirs.recv()
    sent = tracemalloc.get_traced_memory()[1]
    received = [theirs.recv_bytes() for _ in range(arrays)]
    sending.join()
    tracemalloc.stop()
    assert [len(one) for one in received] == [8 * rows] and len(packed) < 4096
    assert sent < 8 * rows + 1e5  # the array itself, made here, and nothing of its size beside it


def test_a_later_question_replaces_one_that_waits() -> None:
    with Worker(page_runs.slow_doubling, 1.0) as worker:
        assert collected(worker, 1) == [2.0]
        for value in range(20):
            worker.ask(float(value))
        answers = collected(worker, 20, timeout_s=1.0)
        assert answers[-1] == 38.0
        assert len(answers) <= 3


def test_what_the_data_cannot_answer_is_one_line() -> None:
    with Worker(page_runs.doubling, -1.0) as worker:
        news = collected(worker, 2)
        assert news[-1] == Refusal("found -1, expected a value that is not negative")


def test_a_mistake_of_ours_is_told_as_one(capfd: pytest.CaptureFixture[str]) -> None:
    with Worker(page_runs.broken) as worker:
        (news,) = collected(worker, 1)
        assert isinstance(news, Refusal)
        assert "internal error (ZeroDivisionError" in news.text
    assert "ZeroDivisionError" in capfd.readouterr().err


def test_work_that_never_ends_is_ended() -> None:
    worker = Worker(page_runs.endless)
    assert collected(worker, 1) == [Doing("counting to infinity")]
    begun_s = time.monotonic()
    worker.close()
    assert time.monotonic() - begun_s < 2.0
    assert not worker.alive()
    assert worker.news() == []


def test_work_that_dies_is_seen_to_be_dead() -> None:
    with Worker(page_runs.dying) as worker:
        deadline = time.monotonic() + 20.0
        while worker.alive() and time.monotonic() < deadline:
            time.sleep(0.01)
        assert not worker.alive()
        worker.ask(1.0)  # nobody hears it, and nothing breaks


@pytest.mark.parametrize(("inherited", "behind"), [(-5, 10), (0, 10), (4, 14)])
def test_work_is_behind_whatever_rank_the_window_has(
    monkeypatch: pytest.MonkeyPatch, inherited: int, behind: int
) -> None:
    rank = [inherited]

    def nice(step: int) -> int:
        rank[0] += step
        return rank[0]

    monkeypatch.setattr(os, "nice", nice, raising=False)
    monkeypatch.setattr(signal, "signal", lambda number, handler: None)
    mine, theirs = multiprocessing.Pipe()
    mine.close()
    _serve(page_runs.doubling, (1.0,), theirs)
    assert rank == [behind]


@pytest.mark.parametrize("module", ["worker", "page_work"])
def test_no_qt_is_needed(module: str) -> None:
    code = f"import sys, whirlbench.window.pages.{module}; assert not [name for name in sys.modules if 'Qt' in name]"
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)
