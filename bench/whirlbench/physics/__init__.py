"""Closed-form physics in SI units, arrays in and arrays out: air, propeller, blades, drive, and the governor's law."""
