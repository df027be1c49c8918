"""Work at a stand that drives nothing, in words: sensors calibrated, travel of the servo found, trips tried."""

from whirlbench.results.stand.calibrated import Calibrated, calibrated
from whirlbench.results.stand.calibration import axis_answer, line_answer, pitch_answer, throttle_answer
from whirlbench.results.stand.travel import travel_answer, travel_values
from whirlbench.results.stand.trial import (
    ABOUT,
    PUT_BACK,
    READY,
    SEEN_CUT,
    TRIP_COLUMNS,
    WORDS,
    armed_now,
    came_words,
    not_typed,
    once_armed,
    proved,
    trial_answer,
)

__all__ = [
    "ABOUT",
    "Calibrated",
    "PUT_BACK",
    "READY",
    "SEEN_CUT",
    "TRIP_COLUMNS",
    "WORDS",
    "armed_now",
    "axis_answer",
    "calibrated",
    "came_words",
    "line_answer",
    "not_typed",
    "once_armed",
    "pitch_answer",
    "proved",
    "throttle_answer",
    "travel_answer",
    "travel_values",
    "trial_answer",
]
