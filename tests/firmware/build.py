"""Compiles the sketch for both boards with Debian's AVR tools, and its portable core for the computer.

``python tests/firmware/build.py`` builds the sketch and prints how much flash and memory each board uses.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tempfile
import zlib
from pathlib import Path
from typing import NamedTuple

from stack_depth import deepest

HERE = Path(__file__).resolve().parent
SKETCH = HERE.parents[1] / "firmware_sketch"
OUT = HERE / "build"
PACKAGES = "g++ gcc-avr avr-libc binutils-avr arduino-core-avr"
CORE = Path("/usr/share/arduino/hardware/arduino/avr")
SHIM = HERE / "native"

# The Arduino IDE's own flags, with link-time optimisation. DECIMAL_DIG: a name that the core's string file expects of
# an older library.
COMMON = [
    "-Os",
    "-flto",
    "-fno-fat-lto-objects",
    "-ffunction-sections",
    "-fdata-sections",
    "-DARDUINO=10819",
    "-DARDUINO_ARCH_AVR",
    "-DF_CPU=16000000L",
    "-DDECIMAL_DIG=__DECIMAL_DIG__",
]
CPP = ["-std=gnu++11", "-fno-exceptions", "-fno-threadsafe-statics"]
STRICT = ["-Wall", "-Wextra", "-Werror"]
UNDEFINED = ["-fsanitize=undefined", "-fno-sanitize-recover=all"]
LINK = ["-Os", "-flto", "-fuse-linker-plugin", "-Wl,--gc-sections"]


class Board(NamedTuple):
    """A board as the Arduino core names it, with what its microcontroller has, in bytes."""

    mcu: str
    define: str
    variant: str
    flash: int
    ram: int
    address_bytes: int  # of a return address


BOARDS = {
    "atmega2560": Board("atmega2560", "ARDUINO_AVR_MEGA2560", "mega", 253_952, 8_192, 3),
    "atmega328p": Board("atmega328p", "ARDUINO_AVR_UNO", "standard", 32_256, 2_048, 2),
}


class Size(NamedTuple):
    """Bytes of flash and of static memory."""

    flash: int
    ram: int


Choice = tuple[tuple[str, str], ...]
# What a builder changes in build_parts.h for the second part of each kind.
SECOND_PARTS: Choice = (
    ("accelerometer_13_bit", "accelerometer_12_bit"),
    ("load_converter_pulsed", "load_converter_strapped"),
)


def sketch(board: str, choice: Choice = ()) -> Path:
    """The sketch's ELF file for ``board`` ("atmega2560" or "atmega328p"); built when a source changed.

    ``choice``: texts in build_choice.h and build_parts.h, and what stands there instead, as a builder would edit them.
    """
    require_tools("avr-gcc", "avr-g++", "avr-gcc-ar")
    if not CORE.exists():
        raise RuntimeError(f"{CORE} is missing: apt-get install {PACKAGES}")
    target = OUT / f"sketch_{board}-{_digest(sketch_sources(), *map(str, choice))}.elf"
    if not target.exists():
        OUT.mkdir(exist_ok=True)
        with tempfile.TemporaryDirectory(dir=OUT) as folder:
            os.replace(_build_sketch(BOARDS[board], choice, Path(folder)), target)
    return target


def native(generated: dict[str, str]) -> Path:
    """Shared library of the portable core with the test shim around it; built when a source changed.

    ``generated``: names and texts of further C++ files.
    """
    require_tools("g++")
    sources = [*portable_sources(), *sorted(SHIM.glob("*.cpp"))]
    digest = _digest([*sources, *SKETCH.glob("*.h")], *generated.values())
    target = OUT / f"core-{digest}.so"
    if not target.exists():
        OUT.mkdir(exist_ok=True)
        with tempfile.TemporaryDirectory(dir=OUT) as folder:
            os.replace(_build_native(sources, generated, Path(folder)), target)
    return target


def sketch_sources() -> list[Path]:
    """Every source file of the sketch, in a fixed order."""
    return sorted(path for path in SKETCH.iterdir() if path.suffix in {".ino", ".cpp", ".h"})


def portable_sources() -> list[Path]:
    """The C++ files that know no board: they include neither Arduino's nor the microcontroller's headers."""
    names = "framing trips limit_table governor messages machine sample_clock"  # drivers know none either
    return [SKETCH / f"{name}.cpp" for name in names.split()]


def size(elf: Path) -> Size:
    """Flash and static memory that ``elf`` takes."""
    require_tools("avr-size")
    text, data, bss = map(int, _run(["avr-size", str(elf)]).splitlines()[1].split()[:3])
    return Size(text + data, data + bss)


def require_tools(*names: str) -> None:
    """RuntimeError with the Debian packages to install when a program is missing: no test is skipped for want of it."""
    missing = [name for name in names if shutil.which(name) is None]
    if missing:
        raise RuntimeError(f"{', '.join(missing)} not found: apt-get install {PACKAGES}")


def build_id() -> int:
    """CRC-32 over the sketch's sources, which Hello reports."""
    return zlib.crc32(b"".join(path.read_bytes() for path in sketch_sources()))


def _chosen_sources(choice: Choice, folder: Path) -> list[Path]:
    """The sketch copied to ``folder``, with the builder's choices and the build id in it."""
    made = (("ID = 0;", f"ID = {build_id():#x}UL;"), *choice)
    used = set()
    for source in sketch_sources():
        text = source.read_text(encoding="utf-8")
        if source.name in {"build_choice.h", "build_parts.h"}:
            for old, new in made:
                used |= {old} if old in text else set()
                text = text.replace(old, new)
        (folder / source.name).write_text(text, encoding="utf-8")
    if len(used) != len(made):
        raise RuntimeError(f"not found in build_choice.h or build_parts.h: {sorted({old for old, _ in made} - used)}")
    return sorted(folder / source.name for source in sketch_sources())


def _build_sketch(board: Board, choice: Choice, folder: Path) -> Path:
    flags = [f"-mmcu={board.mcu}", f"-D{board.define}", *COMMON]
    flags += [f"-I{CORE / 'cores/arduino'}", f"-I{CORE / 'variants' / board.variant}"]
    own = [_compile_own(source, flags, folder) for source in _chosen_sources(choice, folder) if source.suffix != ".h"]
    archive = _build_core(flags, folder)
    elf = folder / "sketch.elf"
    _run(["avr-gcc", f"-mmcu={board.mcu}", *LINK, *map(str, own), str(archive), "-lm", "-o", str(elf)])
    return elf


def _compile_own(source: Path, flags: list[str], folder: Path) -> Path:
    """Our files: warnings are errors. The .ino file gets its Arduino.h as the IDE would give it."""
    result = folder / f"{source.name}.o"
    ino = ["-x", "c++", "-include", "Arduino.h"] if source.suffix == ".ino" else []
    _run(["avr-g++", *flags, *CPP, *STRICT, *ino, "-c", str(source), "-o", str(result)])
    return result


def _build_core(flags: list[str], folder: Path) -> Path:
    """The Arduino core as an archive, so that only what the sketch refers to is linked."""
    objects = []
    for source in sorted((CORE / "cores/arduino").iterdir()):
        if source.suffix not in {".c", ".cpp"}:
            continue
        result = folder / f"core_{source.name}.o"
        compiler = ["avr-g++", *CPP] if source.suffix == ".cpp" else ["avr-gcc", "-std=gnu11"]
        _run([*compiler, *flags, "-w", "-c", str(source), "-o", str(result)])
        objects.append(str(result))
    archive = folder / "core.a"
    _run(["avr-gcc-ar", "rcs", str(archive), *objects])
    return archive


def _build_native(sources: list[Path], generated: dict[str, str], folder: Path) -> Path:
    for name, text in generated.items():
        (folder / name).write_text(text, encoding="utf-8")
    result = folder / "core.so"
    # undefined behaviour, such as a signed overflow, ends the test run: nothing of it may hide on the 8-bit part
    command = ["g++", "-std=gnu++11", "-O2", *STRICT, *UNDEFINED, "-fPIC", "-shared", f"-I{SKETCH}"]
    _run([*command, *map(str, sources), *(str(folder / name) for name in generated), "-o", str(result)])
    return result


def _digest(sources: list[Path], *texts: str) -> str:
    digest = hashlib.sha256(Path(__file__).read_bytes())
    for source in sorted(sources):
        digest.update(source.name.encode() + b"\0" + source.read_bytes())
    digest.update("\0".join(texts).encode())
    return digest.hexdigest()[:16]


def _run(command: list[str]) -> str:
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)}\n{done.stderr}\npackages needed: {PACKAGES}")
    return done.stdout


def main() -> None:
    """Builds both boards' sketches and prints flash, static memory and the deepest stack."""
    for name, board in BOARDS.items():
        taken, depth = size(sketch(name)), deepest(sketch(name), board.address_bytes)
        print(
            f"{name}: {taken.flash} bytes of flash ({taken.flash / board.flash:.0%}), "
            f"{taken.ram} bytes of static memory ({taken.ram / board.ram:.0%}), deepest stack {depth.main} + "
            f"{depth.interrupt} in an interrupt of {board.ram - taken.ram} bytes left, {sketch(name)}"
        )


if __name__ == "__main__":
    main()
