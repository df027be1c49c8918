"""The desktop window, in Qt: only this package needs it. Files named `*_state.py` know no Qt."""
