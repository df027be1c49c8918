"""The desktop window, in Qt: only this package needs it. `*_state.py` files know no Qt and are tested without a screen."""
