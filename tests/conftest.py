"""Rules for all tests: nothing may be left running when a test ends, and only the window's may import Qt."""

from __future__ import annotations

import os
import pickle
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import msgspec
import psutil
import pytest
from hypothesis import settings

from whirlbench.analysis.strength import BladeUnderLoad, DesignCheck, permitted, strength_check
from whirlbench.analysis.strength.design_check import check_design
from whirlbench.rig.description import Rig

# How long one example takes is up to the computer: benchmarks measure speed, tests do not.
settings.register_profile("any speed", deadline=None)
settings.load_profile("any speed")

GRACE_S = 2.0
# Tests that keep to the clock, by the start of their path: they run after the others (see .ci/tests).
REAL_TIME = (
    "system/day",
    "system/test_bad_ports",
    "system/test_faults",
    "system/test_kill_surface",
    "system/test_spin",
    "window/test_live",
    "window/live/test_live",
    "session/process/test_session_process",
    "firmware/mcu/test_terminal",
)
TESTS = Path(__file__).parent
# multiprocessing's resource tracker lives as long as the interpreter by design
LONG_LIVED = ("resource_tracker", "forkserver")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Marks the tests that keep to the clock."""
    for item in items:
        if item.path.relative_to(TESTS).as_posix().startswith(REAL_TIME):
            item.add_marker("real_time")


def _threads() -> set[threading.Thread]:
    return {thread for thread in threading.enumerate() if thread.is_alive()}


def _children() -> set[int]:
    """What was started from here, and from that; psutil reads every process of the computer, so it is asked last."""
    if all(_is_long_lived(pid) for pid in _own_children()):
        return set()
    children = psutil.Process().children(recursive=True)
    return {child.pid for child in children if not _is_long_lived(child.pid)}


def _own_children() -> set[int]:
    """By the kernel's own lists, one a thread; by psutil where it keeps none."""
    lists = list(Path("/proc/self/task").glob("*/children"))
    if not lists:
        return {child.pid for child in psutil.Process().children()}
    return {int(pid) for each in lists if each.exists() for pid in each.read_text().split()}


def _is_long_lived(pid: int) -> bool:
    try:
        process = psutil.Process(pid)
        command = " ".join(process.cmdline())
        return process.status() == psutil.STATUS_ZOMBIE or any(name in command for name in LONG_LIVED)
    except psutil.NoSuchProcess:
        return True


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """Fails a test that leaves a thread or a process behind, with advice."""
    threads, children = _threads(), _children()
    yield
    deadline = time.monotonic() + GRACE_S
    while time.monotonic() < deadline and (_threads() - threads or _children() - children):
        time.sleep(0.02)
    left = [thread.name for thread in _threads() - threads if not thread.name.startswith("pytest_timeout")]
    assert not left, f"threads left behind: {left}; join them in the test or in the object's close()"
    orphans = _children() - children
    assert not orphans, f"processes left behind: {sorted(orphans)}; end them with join() or a context manager"


@pytest.fixture(scope="session")
def user_data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the tests keep what a user keeps: never in the user's own folder."""
    return tmp_path_factory.mktemp("user_data")


@pytest.fixture(autouse=True)
def no_log_of_the_user(user_data: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The default log of blade sets is one of the test's own, and gone with it."""
    monkeypatch.setenv("XDG_DATA_HOME", str(user_data))
    yield
    if (user_data / "whirlbench").exists():
        shutil.rmtree(user_data / "whirlbench")


@pytest.fixture(autouse=True)
def no_qt_but_in_the_window(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Outside ``tests/window`` an import of Qt fails, as it would where Qt is not installed."""
    if "window" not in request.path.parts:
        for name in ("PyQt5", "pyqtgraph"):
            monkeypatch.setitem(sys.modules, name, None)


@pytest.fixture(autouse=True)
def a_blade_set_is_judged_once(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Judging a blade set takes long and many tests ask for the same one: each process keeps its answers.

    Not where a test changes the program, which then has other answers.
    """
    if "setattr" not in request.function.__code__.co_names:
        for module in (strength_check, permitted):
            monkeypatch.setattr(module, "check_design", _judged)


def _judged(rig: Rig, loaded: BladeUnderLoad, *how: float) -> DesignCheck:
    """By the rig without its blade sets: the one that is judged is in ``loaded``."""
    others = msgspec.structs.replace(rig, blade_sets={})
    question = pickle.dumps((others, loaded.built, loaded.count, loaded.air, loaded.yaw, how))
    if question not in _JUDGED:
        _JUDGED[question] = check_design(rig, loaded, *how)
    return _JUDGED[question]


_JUDGED: dict[bytes, DesignCheck] = {}


WITHOUT_QT = """
import sys
class NoQt:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in ("PyQt5", "pyqtgraph"):
            raise ImportError(f"{name} is blocked in this test")
sys.meta_path.insert(0, NoQt())
from whirlbench.cli.main import main
main()
"""
REHEARSAL_S = 1100.0


@pytest.fixture(scope="session")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of one whole rehearsal, seed 7, made once for all processes of a test run.

    For reading only; ``said.txt`` beside it is what it said. Half a minute of computing: who comes second waits.
    """
    shared = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        shared = shared.parent
    place, ended = shared / "rehearsal-once", shared / "rehearsal-once" / "ended.txt"
    try:
        place.mkdir()
    except FileExistsError:
        return _waited_for(ended).parent / "results"
    command = [sys.executable, "-c", WITHOUT_QT, "rehearse", "-o", str(place / "results"), "--speed", "1000"]
    done = subprocess.run(
        [*command, "--random-seed", "7"], capture_output=True, text=True, timeout=REHEARSAL_S, check=False
    )
    (place / "said.txt").write_text(done.stdout + done.stderr, encoding="utf-8")
    ended.write_text(str(done.returncode), encoding="utf-8")
    return _waited_for(ended).parent / "results"


def _waited_for(ended: Path) -> Path:
    """``ended`` once it is there; fails when the rehearsal did."""
    deadline = time.monotonic() + REHEARSAL_S
    while not ended.exists() or not ended.read_text(encoding="utf-8"):
        assert time.monotonic() < deadline, "the rehearsal that another test began did not end"
        time.sleep(0.2)
    said = (ended.parent / "said.txt").read_text(encoding="utf-8")
    assert ended.read_text(encoding="utf-8") == "0", said
    return ended
