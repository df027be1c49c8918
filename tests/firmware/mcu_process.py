"""The simulated stand in a process of its own, for tests that want a port with a path."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
END_S = 10.0


class McuProcess:
    """``mcu_stand.py`` running; ``path`` is its serial port. Use it as a context manager: nothing stays behind.

    ``options`` go to the program as they are. After the end ``counters`` holds what it reported.
    """

    def __init__(self, board: str = "atmega2560", *options: str) -> None:
        command = [sys.executable, str(HERE / "mcu_stand.py"), "--board", board, "--follow-stdin", *options]
        self.counters: dict[str, int] = {}
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        words = self.process.stdout.readline().split()
        if len(words) != 2 or words[0] != "port":
            self.close()
            raise RuntimeError(f"{' '.join(command)}: no port, but {words}")
        self.path = words[1]

    def close(self) -> None:
        """Ends the process and collects its counters; harmless when it has ended."""
        try:
            out, _ = self.process.communicate(timeout=END_S)  # closes its input, which ends it
        except subprocess.TimeoutExpired:
            self.process.kill()
            out, _ = self.process.communicate()
        for line in out.splitlines():
            if line.startswith("counters "):
                self.counters = json.loads(line.removeprefix("counters "))

    def act(self, deed: str) -> None:
        """Has somebody's hands at the stand do ``deed``: what ``Hands.act`` takes, or "let go"."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{deed}\n")
        self.process.stdin.flush()

    def kill(self) -> None:
        """Ends it as a pulled cable does: no warning, no last word."""
        self.process.kill()
        self.process.wait()

    def __enter__(self) -> McuProcess:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None or not self.process.stdout.closed:  # type: ignore[union-attr]
            self.close()
