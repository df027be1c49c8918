"""The device on a simulated stand: bytes to bytes, the sketch's state machine in Python."""
