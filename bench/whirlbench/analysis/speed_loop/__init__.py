"""How the speed answers throttle, speed request and pitch: steps and sweeps of a run, and the models fitted to them."""

from whirlbench.analysis.speed_loop.channel import ChannelFound
from whirlbench.analysis.speed_loop.excitation import (
    Agreement,
    Amplitudes,
    FrequencyResponse,
    compare_with_model,
    find_excitation,
    fit_lines,
    frequency_response,
)
from whirlbench.analysis.speed_loop.identification import SpeedLoop, all_steps, identify
from whirlbench.analysis.speed_loop.lever_steps import KINDS, SMALLEST, Kind, Step, find_steps
from whirlbench.analysis.speed_loop.models import LoopModel, exponentials, sampled_answer, unit_answer
from whirlbench.analysis.speed_loop.pool import Pooled
from whirlbench.analysis.speed_loop.record import ChannelKind, SpeedChannel, SpeedRecord, speed_record
from whirlbench.analysis.speed_loop.response import LAST_PART, RECOVERED, Curve, find_hunting, step_curve
from whirlbench.analysis.speed_loop.step_result import StepResult

__all__ = [
    "Agreement",
    "Amplitudes",
    "ChannelFound",
    "ChannelKind",
    "Curve",
    "FrequencyResponse",
    "KINDS",
    "Kind",
    "LAST_PART",
    "LoopModel",
    "Pooled",
    "RECOVERED",
    "SMALLEST",
    "SpeedChannel",
    "SpeedLoop",
    "SpeedRecord",
    "Step",
    "StepResult",
    "all_steps",
    "compare_with_model",
    "exponentials",
    "find_excitation",
    "find_hunting",
    "find_steps",
    "fit_lines",
    "frequency_response",
    "identify",
    "sampled_answer",
    "speed_record",
    "step_curve",
    "unit_answer",
]
