"""Work at a stand that drives nothing, in words: sensors calibrated, travel of the servo found, trips tried."""

from whirlbench.results.stand.calibrated import Calibrated, calibrated
from whirlbench.results.stand.calibration import axis_answer, line_answer, pitch_answer, throttle_answer
from whirlbench.results.stand.travel import travel_answer, travel_values
from whirlbench.results.stand.trial import came_words, proved, trial_answer

__all__ = [
    "Calibrated",
    "axis_answer",
    "calibrated",
    "came_words",
    "line_answer",
    "pitch_answer",
    "proved",
    "throttle_answer",
    "travel_answer",
    "travel_values",
    "trial_answer",
]
