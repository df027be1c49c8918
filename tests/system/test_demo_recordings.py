"""The demo recordings are all there, small, and what the regenerating command makes."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from whirlbench.recording.files import open_recording, read_run

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


def test_the_command_makes_the_same_samples(regenerate, tmp_path):
    assert regenerate.main(["--only", "unbalance_as_found", "-o", str(tmp_path)]) == 0
    anew, kept = read_run(tmp_path / "unbalance_as_found.h5"), read_run(DEMOS / "unbalance_as_found.h5")
    assert np.array_equal(anew.tach.time_s, kept.tach.time_s)
    assert np.array_equal(anew.vibration.az_g, kept.vibration.az_g)
    assert np.array_equal(anew.slow.current_a, kept.slow.current_a)
