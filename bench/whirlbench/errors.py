"""The errors a user can meet.

A message is one line that says what was found, what was expected and what to do about it.
The command line prints it and exits with status 2; nothing here is raised for a bug of ours.
"""


class BenchError(Exception):
    """Something outside the program is not as it has to be: a file, a device, a request."""


class RigError(BenchError):
    """The rig file is malformed, holds an impossible value, or lacks a key that the job at hand needs."""


class LinkError(BenchError):
    """The serial port or the device on it does not answer as the protocol says."""


class RecordingError(BenchError):
    """A recording, or a file to be imported, cannot be read as what it claims to be."""


class CalibrationError(BenchError):
    """Known points and counts do not give a usable calibration."""


class PlanError(BenchError):
    """A plan file asks for something the rig or the protocol cannot do."""


class LogError(BenchError):
    """The blade sets' log cannot be read or written, or an entry is not one."""


class AnalysisError(BenchError):
    """The data cannot answer the question: too short, never settled, or a channel is missing."""
