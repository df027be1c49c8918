"""The trial of the trips in the window: a page, and the work behind it, which knows no Qt."""
