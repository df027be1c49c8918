"""Two loggers of one run: the offset of their clocks is found again, or refused; channels land at the right moment."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from whirlbench.errors import RecordingError
from whirlbench.recording.foreign import LogFiles, Reading, read_logs
from whirlbench.recording.foreign.joining import correlation

TRUE_OFFSET_S = 7.3


def course(time_s: np.ndarray) -> np.ndarray:
    """A staged run that repeats nothing."""
    steps = (5.0, 9.0, 17.0, 21.0, 33.0, 38.0, 52.0)
    heights = (1500.0, 700.0, 900.0, -400.0, 600.0, 800.0, -2500.0)
    return sum(height / (1.0 + np.exp(-(time_s - at) / 0.4)) for at, height in zip(steps, heights, strict=True)) + 600.0


def write(path: Path, head: str, *columns: np.ndarray) -> Path:
    rows = [",".join(f"{value:.4f}" for value in row) for row in zip(*columns, strict=True)]
    path.write_text("\n".join([head, *rows]) + "\n")
    return path


@pytest.fixture
def base(tmp_path: Path) -> Path:
    at = np.arange(0.0, 60.0, 0.1)
    return write(tmp_path / "speed.csv", "Time (s),RPM,Current (A)", at, course(at), course(at) / 100.0)


def other(path: Path, step_s: float, head: str, figures) -> Path:
    own = np.arange(0.0, 40.0, step_s)
    return write(path, f"Time (s),{head}", own, figures(own + TRUE_OFFSET_S))


@pytest.mark.parametrize("step_s", [0.02, 0.1, 0.5])
def test_an_offset_is_found_from_thrust_beside_rpm(tmp_path: Path, base: Path, step_s: float) -> None:
    noise = np.random.default_rng(3)
    path = other(
        tmp_path / "pull.csv", step_s, "Thrust (N)", lambda at: 4e-6 * course(at) ** 2 + noise.normal(0, 0.3, len(at))
    )
    imported = read_logs(LogFiles(base, (path,)), Reading(), 1)
    found = imported.offsets[str(path)]
    assert found.offset_s == pytest.approx(TRUE_OFFSET_S, abs=0.15) and found.correlation > 0.75
    slow = imported.run.slow
    here = (slow.time_s > 8.0) & (slow.time_s < 45.0)
    assert np.nanmax(np.abs(slow.thrust_n[here] - 4e-6 * course(slow.time_s[here]) ** 2)) < 0.2 * np.nanmax(
        slow.thrust_n
    )
    assert np.isnan(slow.thrust_n[slow.time_s < 7.0]).all() and np.isnan(slow.thrust_n[slow.time_s > 48.0]).all()
    assert any(found.text in event.detail for event in imported.run.events)


def test_one_channel_of_both_is_kept_twice(tmp_path: Path, base: Path) -> None:
    path = other(tmp_path / "second.csv", 0.1, "RPM", course)
    imported = read_logs(LogFiles(base, (path,)), Reading(), 1)
    assert imported.offsets[str(path)].offset_s == pytest.approx(TRUE_OFFSET_S, abs=0.02)
    assert [one.description for one in imported.run.slow.extra] == ["rpm of second.csv"]


@pytest.mark.parametrize(
    ("head", "figures"),
    [
        ("Thrust (N)", lambda at: np.full(len(at), 3.0)),  # stands still
        ("Thrust (N)", lambda at: 5.0 + np.sin(at * 2.0)),  # repeats itself
        ("ESC temp (°C)", lambda at: 20.0 + at),  # nothing that moves with the throttle
    ],
)
def test_an_offset_that_is_not_certain_is_asked_for(tmp_path: Path, base: Path, head: str, figures) -> None:
    path = other(tmp_path / "other.csv", 0.1, head, figures)
    with pytest.raises(RecordingError, match="not certain") as refusal:
        read_logs(LogFiles(base, (path,)), Reading(), 1)
    assert f'--offset "{path}=SECONDS"' in str(refusal.value)
    told = read_logs(LogFiles(base, (path,), offsets=(("other.csv", 2.0),)), Reading(), 1)
    assert told.offsets[str(path)].offset_s == 2.0


def test_a_name_that_no_file_has_is_refused(base: Path) -> None:
    with pytest.raises(RecordingError, match="there is no such file"):
        read_logs(LogFiles(base, offsets=(("elsewhere.csv", 1.0),)), Reading(), 1)


def test_correlation_against_the_plain_sum() -> None:
    random = np.random.default_rng(1)
    first, second = random.normal(size=60), random.normal(size=40)
    shifts, fit = correlation(first, second)
    for shift, found in zip(shifts, fit, strict=True):
        low, high = max(0, shift), min(60, shift + 40)
        assert found == pytest.approx(np.corrcoef(first[low:high], second[low - shift : high - shift])[0, 1], abs=1e-9)


def test_a_run_that_repeats_itself_is_asked_for(tmp_path: Path) -> None:
    at, own = np.arange(0.0, 66.0, 0.1), np.arange(0.0, 22.0, 0.1)
    base = write(tmp_path / "speed.csv", "Time (s),RPM", at, course(at % 22.0))
    path = write(tmp_path / "second.csv", "Time (s),RPM", own, course(own))
    with pytest.raises(RecordingError, match=r"correlation 1\.00, next best place 1\.00"):
        read_logs(LogFiles(base, (path,)), Reading(), 1)
