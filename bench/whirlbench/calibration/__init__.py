"""Counts to units, with their uncertainty, and what the sensors so calibrated can show: the only place of scaling."""
