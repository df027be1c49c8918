"""A back-test has the device's windows, wherever the recording or the part of it that is judged begins."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.files import open_recording, read_run, write_run
from whirlbench.rig.description import Rig, with_limits
from whirlbench.rig.toml import parse_rig
from whirlbench.safety.back_test import back_test, rules_for
from whirlbench.safety.back_test.study import quantity
from whirlbench.samples import Run, VibrationSamples

CRACK = Path(__file__).resolve().parents[3] / "recordings" / "root_crack.h5"
RATE_HZ, WINDOW = 1600.0, 64


@pytest.fixture(scope="module")
def crack() -> Run:
    return read_run(CRACK)


def cut(run: Run, samples: int) -> Run:
    return run.between(run.vibration.time_s[0] + (samples - 0.5) / run.vibration.rate_hz, np.inf)


@pytest.mark.parametrize("limit_g", [2.0, 3.0, 4.0, 6.0, 10.0])
@pytest.mark.parametrize("samples", [16, 32, 48, 64])
def test_a_recording_cut_later_trips_at_the_same_window(crack: Run, samples: int, limit_g: float) -> None:
    limits = with_limits(parse_rig(crack.rig_text), vibration_g_rms=limit_g)
    whole, part = (
        [trip for trip in back_test(run, rules_for(run, limits)) if trip.rule == "vibration_g_rms"]
        for run in (crack, cut(crack, samples))
    )
    assert whole == part and len(whole) == 1


@pytest.mark.parametrize("samples", [16, 32, 48])
def test_the_level_that_a_limit_is_chosen_by_has_the_same_windows(crack: Run, samples: int) -> None:
    limits = parse_rig(crack.rig_text)
    whole_s, whole = quantity(crack, limits, "vibration_g_rms")
    part_s, part = quantity(cut(crack, samples), limits, "vibration_g_rms")
    assert np.array_equal(part_s, whole_s[1:])
    assert np.array_equal(part, whole[1:])


def pulse(first_index: int, lost: slice = slice(0, 0)) -> Run:
    """Two seconds of rest with one window's length of shaking, and ``lost`` samples left out."""
    time_s = np.arange(3200) / RATE_HZ
    shake_g = np.where((np.arange(3200) // WINDOW) == 20, np.where(np.arange(3200) % 2, 5.0, -5.0), 0.0)
    keep = np.delete(np.arange(3200), lost)
    return Run(vibration=VibrationSamples(time_s[keep], ax_g=shake_g[keep], rate_hz=RATE_HZ, first_index=first_index))


@pytest.mark.parametrize(("first_index", "level_g"), [(0, 5.0), (WINDOW, 5.0), (WINDOW // 2, 5.0 / np.sqrt(2.0))])
@pytest.mark.parametrize("lost", [slice(0, 0), slice(100, 107)])
def test_the_running_number_decides_what_falls_into_a_window(first_index: int, level_g: float, lost: slice) -> None:
    """Shaking that straddles a border is shared by two windows; samples lost before do not move the borders."""
    values = quantity(pulse(first_index, lost), with_limits(Rig(), vibration_window_samples=WINDOW), "vibration_g_rms")[
        1
    ]
    assert max(values) == pytest.approx(level_g)


def test_running_numbers_come_from_the_recording_and_its_slices(crack: Run, tmp_path: Path) -> None:
    with open_recording(CRACK) as recording:
        index = recording.vibration_index()
        part = recording.slice(20.0, 21.0).vibration
    assert np.array_equal(crack.vibration.running_numbers(), index)
    row = int(np.searchsorted(crack.vibration.time_s, part.time_s[0]))
    assert part.first_index == crack.between(20.0, 21.0).vibration.first_index == index[row]
    write_run(tmp_path / "part.h5", Run(vibration=part), RunAttributes())
    assert read_run(tmp_path / "part.h5").vibration.first_index == index[row]
