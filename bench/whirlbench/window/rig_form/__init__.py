"""A rig file as a form: the draft, which knows no Qt, and its page."""
