"""A whole recording of a made-up run, in both forms a recording can have."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # for made_up_run: test folders are not packages

from made_up_run import Samples, made_up, record


@pytest.fixture(scope="session")
def samples() -> Samples:
    return made_up(6.0)


@pytest.fixture(scope="session", params=["compacted", "as written"])
def recording_path(request, samples, tmp_path_factory):
    """A whole recording, in both forms it can have."""
    path = tmp_path_factory.mktemp("whole") / "run.h5"
    return record(path, samples, compact=request.param == "compacted")
