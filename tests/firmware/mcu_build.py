"""Compiles the simulated microcontroller (a shared library on libsimavr) and the probe program, with Debian's tools."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
SOURCES = HERE / "mcu"
OUT = HERE / "build"
PACKAGES = "gcc libc6-dev gcc-avr avr-libc binutils-avr libsimavr-dev libelf-dev"
SIMULATOR_HEADER = Path("/usr/include/simavr/sim_avr.h")
CLOCK_HZ = 16_000_000


def library() -> Path:
    """The shared library; built when a source changed."""
    require_tools("gcc")
    if not SIMULATOR_HEADER.exists():
        raise RuntimeError(f"{SIMULATOR_HEADER} is missing: apt-get install {PACKAGES}")
    sources = sorted(SOURCES.glob("*.c"))
    command = ["gcc", "-std=c11", "-O2", "-Wall", "-Wextra", "-Werror", "-fPIC", "-shared"]
    command += [f"-I{SIMULATOR_HEADER.parent}", *map(str, sources), "-lsimavr", "-lelf", "-lm"]
    return built("stand.so", command, [*sources, *SOURCES.glob("*.h")])


def probe(mcu: str) -> Path:
    """The probe program for ``mcu`` ("atmega2560", "atmega328p"), which checks the simulated stand, not the sketch."""
    require_tools("avr-gcc")
    source = SOURCES / "probe" / "probe.c"
    command = ["avr-gcc", f"-mmcu={mcu}", f"-DF_CPU={CLOCK_HZ}UL", "-std=gnu11", "-Os", "-Wall", "-Wextra", "-Werror"]
    return built(f"probe_{mcu}.elf", [*command, str(source)], [source])


def require_tools(*names: str) -> None:
    """RuntimeError with the Debian packages to install when a program is missing: no test is skipped for want of it."""
    missing = [name for name in names if shutil.which(name) is None]
    if missing:
        raise RuntimeError(f"{', '.join(missing)} not found: apt-get install {PACKAGES}")


def built(name: str, command: list[str], sources: list[Path], generated: dict[str, str] | None = None) -> Path:
    """Result of ``command`` (which takes ``-o``), kept under a name that holds its inputs; safe with parallel tests.

    ``generated``: names and texts of headers that the sources include.
    """
    digest = hashlib.sha256("\0".join(command).encode())
    for source in sorted(sources):
        digest.update(source.read_bytes())
    for text in (generated or {}).values():
        digest.update(text.encode())
    stem, _, suffix = name.rpartition(".")
    target = OUT / f"{stem}-{digest.hexdigest()[:16]}.{suffix}"
    if not target.exists():
        OUT.mkdir(exist_ok=True)
        _compile(command, target, generated or {})
    return target


def _compile(command: list[str], target: Path, generated: dict[str, str]) -> None:
    with tempfile.TemporaryDirectory(dir=OUT) as folder:
        for name, text in generated.items():
            (Path(folder) / name).write_text(text, encoding="utf-8")
        result = Path(folder) / target.name
        run = subprocess.run([*command, f"-I{folder}", "-o", str(result)], capture_output=True, text=True)
        if run.returncode:
            raise RuntimeError(f"{' '.join(command[:2])} failed; packages needed: {PACKAGES}\n{run.stderr}")
        os.replace(result, target)
