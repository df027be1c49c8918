"""Verbs that write, read and keep files: recordings, tables, the log of blade sets."""
