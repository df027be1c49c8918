"""Processes for the system tests: surfaces and devices that may be killed."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fault_run import quick_rig_text
from patient_rig import HEARTBEAT_MS

HERE = Path(__file__).parent
PLAN_TEXT = '[[step]]\nkind = "hold"\nthrottle_us = 1160\npitch_deg = 8\nduration_s = 120\n'
Launch = Callable[..., subprocess.Popen]


@pytest.fixture
def files(tmp_path: Path) -> Path:
    """A folder with rig.toml and plan.toml: quick rest, a long slow hold."""
    (tmp_path / "rig.toml").write_text(quick_rig_text(), encoding="utf-8")
    (tmp_path / "plan.toml").write_text(PLAN_TEXT, encoding="utf-8")
    return tmp_path


@pytest.fixture
def heartbeat_s() -> float:
    """The device's limit of silence in the rig of these tests."""
    return HEARTBEAT_MS / 1e3


@pytest.fixture
def launch() -> Iterator[Launch]:
    """Starts a script of this folder with pipes; whatever still runs at the end is killed."""
    started: list[subprocess.Popen] = []

    def starter(script: str, *arguments: object) -> subprocess.Popen:
        command = [sys.executable, str(HERE / script), *(str(argument) for argument in arguments)]
        process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        started.append(process)
        return process

    yield starter
    for process in started:
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()
