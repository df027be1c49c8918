"""Vibration by frequency: levels of the orders while the shaft turns, and the spectrum of a span."""

from whirlbench.results.vibration.live_orders import OrderLevel, OrderWatch
from whirlbench.results.vibration.spectrum import spectrum_answer

__all__ = ["OrderLevel", "OrderWatch", "spectrum_answer"]
