"""The demo recordings are all there, small, and what the regenerating command makes."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from whirlbench.recording.files import open_recording, read_run
from whirlbench.rig.toml import parse_rig
from whirlbench.safety.state_table import Stand
from whirlbench.samples import Run, SlowSamples, TachPulses

DEMOS = Path(__file__).parents[2] / "recordings"
MOST_BYTES = 10_000_000


@pytest.fixture(scope="module")
def regenerate():
    spec = importlib.util.spec_from_file_location("regenerate_demos", DEMOS / "regenerate.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


def test_every_demo_is_there_and_named_in_the_readme(regenerate):
    names = {path.stem for path in DEMOS.glob("*.h5")}
    assert names == set(regenerate.DEMOS)
    text = (DEMOS / "README.md").read_text(encoding="utf-8")
    assert all(f"`{name}.h5`" in text for name in names)


def test_together_they_are_small():
    assert sum(path.stat().st_size for path in DEMOS.glob("*.h5")) < MOST_BYTES


@pytest.mark.parametrize("path", sorted(DEMOS.glob("*.h5")), ids=lambda path: path.stem)
def test_each_reads_whole_with_its_rig(path):
    run = read_run(path)
    assert run.problems == ()
    assert 25.0 < run.duration_s() < 100.0
    assert run.rig_text and len(run.vibration.axes()) == 2
    with open_recording(path) as recording:
        assert recording.attributes.random_seed is not None


@pytest.mark.parametrize("path", sorted(DEMOS.glob("*.h5")), ids=lambda path: path.stem)
def test_each_says_when_it_turned(path):
    run = read_run(path)
    states = [(event.name, event.time_s) for event in run.events if event.kind == "state"]
    assert [name for name, _ in states][:2] == ["armed", "turning"]
    armed, turning = Stand.ARMED, Stand.TURNING
    assert all(name == (turning if number % 2 else armed).name.lower() for number, (name, _) in enumerate(states))
    begun_s, ended_s = states[1][1], states[2][1] if len(states) > 2 else run.slow.time_s[-1]
    assert 2.0 <= begun_s < min(run.tach.time_s[0], 2.6)
    assert ended_s >= min(run.tach.time_s[-1] + 0.99, run.slow.time_s[-1])


def test_a_pause_longer_than_the_rest_time_is_armed_again(regenerate):
    time_s = np.arange(0.0, 20.0, 0.01)
    driven = ((time_s > 2.0) & (time_s < 5.0)) | ((time_s > 12.0) & (time_s < 15.0))
    slow = SlowSamples(time_s, throttle_us=np.where(driven, 1400.0, 1000.0))
    run = Run(slow, TachPulses(np.array([2.5, 3.0, 4.0, 5.0, 5.8])))
    states = regenerate.states(run, parse_rig(""))
    assert [event.name for event in states] == ["armed", "turning", "turning", "armed", "armed"]
    assert sorted(event.time_s for event in states) == pytest.approx([0.0, 2.01, 6.8, 12.01, 15.99], abs=0.011)


def test_the_command_makes_the_same_samples(regenerate, tmp_path):
    assert regenerate.main(["--only", "unbalance_as_found", "-o", str(tmp_path)]) == 0
    anew, kept = read_run(tmp_path / "unbalance_as_found.h5"), read_run(DEMOS / "unbalance_as_found.h5")
    assert np.array_equal(anew.tach.time_s, kept.tach.time_s)
    assert np.array_equal(anew.vibration.az_g, kept.vibration.az_g)
    assert np.array_equal(anew.slow.current_a, kept.slow.current_a)
