"""Writes what the sketch and its protocol document take from the message classes: C++ declarations and tables."""
