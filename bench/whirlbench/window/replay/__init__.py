"""A recorded run under a time cursor."""
