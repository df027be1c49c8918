"""Verbs that run a stand, real or simulated, or set it up."""
