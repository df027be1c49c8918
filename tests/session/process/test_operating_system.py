"""Systems differ: what one does not have or does not grant is told or left alone, and never ends a session."""

import multiprocessing
import os
import pickle
import signal
import threading
from functools import partial
from types import SimpleNamespace

import pytest

from whirlbench.link.port import SerialPort
from whirlbench.rig.toml import example_rig_text
from whirlbench.samples import Event
from whirlbench.session.engine import Ending, Outcome
from whirlbench.session.process import EndingRequests, SessionSpec, SharedView, loop, operating_system
from whirlbench.session.process.operating_system import (
    SurfaceRank,
    ask_for_priority,
    ignore_terminal_signals,
    signals_held,
    step_behind,
    waiting_at,
)
from whirlbench.session.process.recorder import write_recording
from whirlbench.simulator.device.simulated_port import open_simulated


def not_permitted(step):
    raise PermissionError(1, "Operation not permitted")


@pytest.fixture(autouse=True)
def real_time(monkeypatch):
    """A system that grants no real time, whatever the one of the tests does; ``granted`` changes that."""
    asked = SimpleNamespace(granted=False, calls=[])

    def set_scheduler(number, policy, parameter):
        asked.calls.append((number, policy, parameter.sched_priority))
        if not asked.granted:
            raise PermissionError(1, "Operation not permitted")

    for name, value in (("SCHED_FIFO", 1), ("SCHED_RESET_ON_FORK", 0x40000000)):
        monkeypatch.setattr(os, name, value, raising=False)
    monkeypatch.setattr(os, "sched_param", lambda priority: SimpleNamespace(sched_priority=priority), raising=False)
    monkeypatch.setattr(os, "sched_setscheduler", set_scheduler, raising=False)
    return asked


def test_real_time_is_taken_where_it_is_granted_and_not_passed_on(monkeypatch, real_time):
    monkeypatch.setattr(os, "nice", not_permitted)
    real_time.granted = True
    assert ask_for_priority() == ""
    assert real_time.calls == [(0, 1 | 0x40000000, 1)]


@pytest.mark.parametrize("missing", ["SCHED_FIFO", "SCHED_RESET_ON_FORK"])
def test_a_system_without_real_time_is_not_asked_for_it(monkeypatch, real_time, missing):
    monkeypatch.setattr(os, "nice", lambda step: step)
    monkeypatch.delattr(os, missing)
    real_time.granted = True
    assert ask_for_priority() == "" and real_time.calls == []


def test_a_priority_that_is_not_granted_is_told(monkeypatch):
    monkeypatch.setattr(os, "nice", not_permitted)
    assert ask_for_priority() == "the system says: operation not permitted"


def test_a_system_without_priorities_is_told(monkeypatch):
    monkeypatch.delattr(os, "nice")
    assert ask_for_priority() == "this system has no such priorities"
    step_behind()


def test_a_granted_priority_is_asked_for_and_given_back(monkeypatch):
    rank = [0]

    def nice(step):
        rank[0] += step
        return rank[0]

    monkeypatch.setattr(os, "nice", nice)
    assert ask_for_priority() == "" and rank == [-10]
    step_behind()
    step_behind()
    assert rank == [-5]


def test_what_a_session_in_real_time_starts_is_ahead_of_other_work_all_the_same(monkeypatch):
    rank = [0]

    def nice(step):
        rank[0] += step
        return rank[0]

    monkeypatch.setattr(os, "nice", nice)
    step_behind()
    assert rank == [-5]
    monkeypatch.setattr(os, "nice", lambda step: not_permitted(step) if step else 0)
    step_behind()


def test_a_session_started_by_a_ranked_surface_gets_its_own_rank(monkeypatch):
    rank = [-5]

    def nice(step):
        rank[0] += step
        return rank[0]

    monkeypatch.setattr(os, "nice", nice)
    assert ask_for_priority() == "" and rank == [-10]


@pytest.fixture
def ranks(monkeypatch, tmp_path):
    """Niceness of this thread and of its group, and what a system may refuse of either."""
    system = SimpleNamespace(own=0, granted=True, group=tmp_path / "autogroup")
    system.group.write_text("/autogroup-7 nice 0\n")

    def set_priority(which, who, niceness):
        if not system.granted:
            not_permitted(niceness)
        assert (which, who) == (os.PRIO_PROCESS, 0)
        system.own = niceness

    monkeypatch.setattr(os, "getpriority", lambda which, who: system.own)
    monkeypatch.setattr(os, "setpriority", set_priority)
    monkeypatch.setattr(operating_system, "GROUP", system.group)
    return system


def test_a_surface_ranks_itself_and_its_group_behind_the_decision_and_gives_both_back(ranks):
    rank = SurfaceRank()
    assert ranks.own == -5 and ranks.group.read_text() == "-5"
    rank.give_back()
    assert ranks.own == 0 and ranks.group.read_text() == "0"
    rank.give_back()
    assert ranks.own == 0


def test_a_rank_that_is_refused_changes_nothing_and_says_nothing(ranks, capfd):
    ranks.granted = False
    SurfaceRank().give_back()
    assert ranks.own == 0 and ranks.group.read_text() == "/autogroup-7 nice 0\n"
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("words", [None, "", "/autogroup-7 nice unknown\n"])
def test_a_system_without_such_groups_still_ranks_the_surface(ranks, words):
    if words is None:
        ranks.group.unlink()
    else:
        ranks.group.write_text(words)
    rank = SurfaceRank()
    assert ranks.own == -5
    rank.give_back()
    assert ranks.own == 0 and (ranks.group.read_text() == words if words is not None else not ranks.group.exists())


def test_a_system_without_niceness_has_no_rank(ranks, monkeypatch):
    monkeypatch.delattr(os, "getpriority")
    SurfaceRank().give_back()
    assert ranks.own == 0 and ranks.group.read_text() == "/autogroup-7 nice 0\n"


def test_a_surface_that_is_ahead_already_stays_where_it_is(ranks):
    ranks.own = -12
    SurfaceRank().give_back()
    assert ranks.own == -12 and ranks.group.read_text() == "/autogroup-7 nice 0\n"
    ranks.own = 0
    ranks.group.write_text("/autogroup-7 nice -8\n")
    SurfaceRank().give_back()
    assert ranks.own == 0 and ranks.group.read_text() == "/autogroup-7 nice -8\n"


def test_what_somebody_else_has_ranked_meanwhile_stays(ranks):
    rank = SurfaceRank()
    ranks.own = 3
    ranks.group.write_text("/autogroup-7 nice 4\n")
    rank.give_back()
    assert ranks.own == 3 and ranks.group.read_text() == "/autogroup-7 nice 4\n"


@pytest.mark.parametrize("missing", [(), ("SIGHUP",), ("SIGHUP", "SIGINT")])
def test_signals_that_a_system_lacks_are_passed_over(monkeypatch, missing):
    given = {}
    names = {"SIGINT": 2, "SIGHUP": 1}
    fake = SimpleNamespace(SIG_IGN=signal.SIG_IGN, signal=given.__setitem__)
    for name in set(names) - set(missing):
        setattr(fake, name, names[name])
    monkeypatch.setattr(operating_system, "signal", fake)
    ignore_terminal_signals()
    assert given == {names[name]: signal.SIG_IGN for name in set(names) - set(missing)}


@pytest.fixture
def view():
    """Shared memory of a session that runs in this process."""
    made = SharedView()
    yield made
    made.close()
    made.unlink()


class FirstStep(loop.SessionLoop):
    """A loop that is finished after its first step."""

    kept = ()

    def run(self):
        actions = self.turn()
        type(self).kept = actions.records
        return Outcome(Ending.DONE)


@pytest.mark.parametrize("granted", [True, False])
def test_a_session_records_and_shows_that_it_has_no_priority(monkeypatch, view, granted):
    monkeypatch.setattr(os, "nice", (lambda step: step) if granted else not_permitted)
    monkeypatch.setattr(loop, "ignore_terminal_signals", lambda: None)
    monkeypatch.setattr(loop, "SessionLoop", FirstStep)
    receiving, sending = multiprocessing.Pipe(duplex=False)
    text = example_rig_text()
    loop.run_session(SessionSpec(text, partial(open_simulated, text, 1)), view.name, receiving)
    sending.close()
    receiving.close()
    expected = Event(
        0.0, "note", "no priority", "what draws can delay decisions: the system says: operation not permitted"
    )
    told = () if granted else (expected,)  # beside it, what the device had sent by then
    assert tuple(kept for kept in FirstStep.kept if getattr(kept, "name", "") == "no priority") == told
    assert tuple(event for event in view.events() if event.name == "no priority") == told
    assert view.outcome() == Outcome(Ending.DONE)


def test_a_port_that_cannot_be_opened_is_no_link_that_was_lost(monkeypatch, view):
    monkeypatch.setattr(os, "nice", lambda step: step)
    monkeypatch.setattr(loop, "ignore_terminal_signals", lambda: None)
    receiving, sending = multiprocessing.Pipe(duplex=False)
    loop.run_session(SessionSpec(example_rig_text(), partial(SerialPort, "/dev/absent")), view.name, receiving)
    sending.close()
    receiving.close()
    assert view.outcome().ending == Ending.REFUSED and view.outcome().exit_status == 2


def test_what_a_new_process_is_given_can_be_sent_to_it():
    """Processes are spawned: what they run is found by its name, and nothing is inherited."""
    text = example_rig_text()
    spec = SessionSpec(text, partial(open_simulated, text, 1), recording="run.h5")
    for target in (loop.run_session, write_recording):
        assert pickle.loads(pickle.dumps(target)) is target
    assert pickle.loads(pickle.dumps(spec)).rig_text == text


def test_signals_are_held_while_a_child_starts_also_in_a_thread():
    """What is held is inherited by a child and given to the parent afterwards."""
    seen = []

    def start():
        with signals_held():
            seen.append(signal.pthread_sigmask(signal.SIG_BLOCK, []))

    thread = threading.Thread(target=start)
    thread.start()
    thread.join()
    start()
    assert all({signal.SIGINT, signal.SIGTERM, signal.SIGHUP} <= held for held in seen) and len(seen) == 2
    assert not signal.pthread_sigmask(signal.SIG_BLOCK, []) & {signal.SIGINT, signal.SIGTERM, signal.SIGHUP}


def test_a_request_to_end_is_noted_although_an_ignored_one_was_inherited():
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with EndingRequests() as requests:
            for name in ("SIGINT", "SIGTERM", "SIGHUP"):
                assert not requests.new()
                signal.raise_signal(getattr(signal, name))
                assert requests.new()
            requests.interrupting = True
            with pytest.raises(KeyboardInterrupt):
                signal.raise_signal(signal.SIGTERM)
        assert signal.getsignal(signal.SIGINT) == signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)


@pytest.mark.parametrize("with_poll", [True, False])
def test_a_connection_is_ready_when_something_or_its_end_waits(monkeypatch, with_poll):
    if not with_poll:
        monkeypatch.delattr(operating_system.select, "poll", raising=False)
    receiving, sending = multiprocessing.Pipe(duplex=False)
    waits = waiting_at(receiving)
    assert not waits()
    sending.send("abort")
    assert waits() and receiving.recv() == "abort" and not waits()
    sending.close()
    assert waits()
    with pytest.raises(EOFError):
        receiving.recv()
    receiving.close()
