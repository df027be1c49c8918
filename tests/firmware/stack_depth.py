"""Deepest stack of a compiled sketch, by its call graph: frames and calls as they stand in the binary.

Frames are counted from the instructions (pushes, and the subtraction from the stack pointer). On top of the deepest
main program stands one interrupt, and another one on top of that where it lets others in (``sei``). A call through a
pointer cannot be followed and is refused.
"""

from __future__ import annotations

import re
import subprocess
from functools import cache
from pathlib import Path
from typing import NamedTuple

HEAD = re.compile(r"^[0-9a-f]+ <(?P<name>.+)>:$")
LINE = re.compile(r"^\s*[0-9a-f]+:\t(?:[0-9a-f]{2} )+\s*\t(?P<word>\w+)\t?(?P<rest>.*)$")
SAVES = re.compile(r"<__prologue_saves__(?:\+(?P<skipped>0x[0-9a-f]+))?>")
TARGET = re.compile(r"<(?P<name>[^>+]+)>")


class Depth(NamedTuple):
    """Bytes of stack: of the main program, and of the deepest interrupts on top of it."""

    main: int
    interrupt: int


class _Function:
    """Own frame in bytes, and names of the functions called."""

    def __init__(self) -> None:
        self.frame = 0
        self.calls: set[str] = set()
        self.lets_interrupts = False
        self._low = 0
        self._room: dict[str, int] = {}
        self._making_room = False  # between reading the stack pointer and writing it

    def take(self, own: str, word: str, rest: str) -> None:  # noqa: C901 - one branch an instruction
        saves = SAVES.search(rest) if word in {"jmp", "rjmp"} else None
        if saves:  # the library's common beginning of a function: room in r26 and r27, and up to 18 registers
            self.frame += self._room.get("r26", 0) + 256 * self._room.get("r27", 0)
            self.frame += 18 - int(saves["skipped"] or "0", 16) // 2
        elif word == "ldi" and rest.startswith(("r26", "r27")):
            self._room[rest[:3]] = _constant(rest)
        elif word == "push":
            self.frame += 1
        elif word == "sei":
            self.lets_interrupts = True
        elif word == "icall" or word == "eicall":
            raise ValueError(f"{own}: a call through a pointer cannot be followed")
        elif word in {"in", "out"} and "0x3d" in rest:
            self._making_room = word == "in" and rest.startswith("r28")
        elif word == "sbiw" and self._making_room and rest.startswith("r28"):
            self.frame += _constant(rest)
        elif word == "subi" and self._making_room and rest.startswith("r28"):
            self._low = _constant(rest)
        elif word == "sbc" and self._making_room and rest.startswith("r29"):
            self.frame += self._low
        elif word == "sbci" and self._making_room and rest.startswith("r29"):
            self.frame += self._low + 256 * _constant(rest)
        elif word in {"call", "rcall", "jmp", "rjmp"}:
            found = TARGET.search(rest)
            if found and found["name"] == "__vectors":
                return  # a restart
            if found and found["name"] != own:
                self.calls.add(found["name"])
            elif word == "rcall":
                self.frame += 2  # "rcall .+0": a way to make room


def _constant(rest: str) -> int:
    return int(rest.split(",")[1].split(";")[0], 16)


def deepest(elf: Path, address_bytes: int) -> Depth:
    """Depth of ``elf``; ``address_bytes``: of a return address, 2, or 3 where the flash has more than 128 kB."""
    functions = _functions(elf)

    @cache
    def depth(name: str, above: tuple[str, ...] = ()) -> int:
        if name in above:
            raise ValueError(f"{name} calls itself: its depth has no bound")
        function = functions.get(name)
        if function is None:
            return 0
        below = max((depth(called, (*above, name)) for called in function.calls), default=0)
        return function.frame + address_bytes + below

    vectors = [name for name in functions if re.fullmatch(r"__vector_\d+", name)]
    nesting = [name for name in vectors if functions[name].lets_interrupts]
    if len(nesting) > 1:
        raise ValueError(f"{', '.join(nesting)} let each other in: their depth has no bound")
    single = max(depth(name) for name in vectors if name not in nesting)
    return Depth(depth("main"), single + sum(depth(name) for name in nesting))


def _functions(elf: Path) -> dict[str, _Function]:
    listing = subprocess.run(["avr-objdump", "-d", str(elf)], capture_output=True, text=True, check=True).stdout
    functions: dict[str, _Function] = {}
    name = ""
    for line in listing.splitlines():
        head, code = HEAD.match(line), LINE.match(line)
        if head:
            name = head["name"]
            functions[name] = _Function()
        elif code and name:
            functions[name].take(name, code["word"], code["rest"])
    return functions
