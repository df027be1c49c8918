"""Orders of the shaft in vibration: shaft angle, tracked amplitude and phase, order maps and resonances."""

from whirlbench.analysis.orders.amplitude_spectrum import Spectrum, spectrum
from whirlbench.analysis.orders.order_map import OrderMap, map_orders
from whirlbench.analysis.orders.resonance import Certainty, Resonance, find_resonances
from whirlbench.analysis.orders.tracking import (
    FrameGrid,
    OrderTracks,
    centred,
    middle,
    sample_rate_hz,
    shaft_angle,
    track_orders,
    track_vibration,
)

__all__ = [
    "Certainty",
    "FrameGrid",
    "OrderMap",
    "OrderTracks",
    "Resonance",
    "Spectrum",
    "centred",
    "find_resonances",
    "map_orders",
    "middle",
    "sample_rate_hz",
    "shaft_angle",
    "spectrum",
    "track_orders",
    "track_vibration",
]
