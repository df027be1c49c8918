"""Tables of other loggers, of any habit: form, units and meaning of columns recognised, and said; else refused."""

from whirlbench.recording.foreign.column_map import ColumnRule, keep_map, kept_map, parse_rule
from whirlbench.recording.foreign.joining import FoundOffset, find_offset, joined
from whirlbench.recording.foreign.log_file import ForeignLog, Reading, read_log, unused_rules
from whirlbench.recording.foreign.recognition import Meaning, PulseScales, could_be, is_acceleration
from whirlbench.recording.foreign.run_of_logs import ImportedRun, LogFiles, read_logs
from whirlbench.recording.foreign.soundness import is_sound
from whirlbench.recording.foreign.text_table import Form

__all__ = [
    "ColumnRule",
    "ForeignLog",
    "Form",
    "FoundOffset",
    "ImportedRun",
    "LogFiles",
    "Meaning",
    "PulseScales",
    "Reading",
    "could_be",
    "find_offset",
    "is_acceleration",
    "is_sound",
    "joined",
    "keep_map",
    "kept_map",
    "parse_rule",
    "read_log",
    "read_logs",
    "unused_rules",
]
