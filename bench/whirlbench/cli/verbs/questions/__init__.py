"""Verbs that answer a question about a rig or a recorded run."""
