"""What ends a run: the trip rules of device and host, the stand's states, margins, and limits tried on recordings."""
