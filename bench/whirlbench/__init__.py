"""Whirlbench: prove a home-built variable-pitch, constant-speed propeller on a guarded stand."""

__version__ = "0.1.0"
