"""The live run: the bridge to the session, strips, margins, the power cut and the few controls a run needs."""
