"""The import table of the architecture: an arrow that is not listed here is a mistake or a decision to be recorded."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest
from import_graph import PACKAGE, Import, arrows, modules_of, own_imports

SHARED_WORDS = {"errors", "units", "samples"}
MAY_IMPORT: dict[str, set[str]] = {
    "rig": {"physics"},
    "physics": set(),
    "link": set(),
    "calibration": {"rig"},
    "safety": {"rig"},
    "recording": {"rig", "calibration", "link"},
    "analysis": {"rig", "physics"},
    "results": {"rig", "calibration", "recording", "analysis", "safety", "log"},
    "simulator": {"rig", "physics", "link", "safety"},
    "log": {"rig", "recording"},
    "session": {"rig", "calibration", "link", "safety", "recording", "log"},
    "report": {"rig", "results", "log"},
    "window": {"rig", "calibration", "safety", "recording", "results", "report", "session", "log"},
}
NOT_BUILT_YET: set[str] = set()
PACKAGES = set(MAY_IMPORT) | {"cli"}
MAY_IMPORT["cli"] = set(MAY_IMPORT)
MAY_IMPORT["__main__"] = {"cli"}
MAY_IMPORT[""] = {"rig", "recording", "analysis", "safety", "results"}  # public use from Python

# Inside a package: what each of its sub-packages may import of the others.
ROOMS: dict[str, dict[str, set[str]]] = {
    "analysis": {
        "orders": set(),
        "propeller": set(),
        "speed_loop": set(),
        "strength": set(),
        "governor": {"speed_loop"},
        "balance": {"orders"},
        "onset": {"orders"},
        "pitch_limits": {"propeller", "strength"},
    },
    "session": {
        "engine": {"plan"},
        "plan": {"engine"},  # one way: test_circles
        "process": {"engine", "plan"},
        "still": {"engine"},
    },
    "window": {
        "drawing": set(),
        "stand_state": set(),
        "live": {"drawing", "stand_state"},
        "replay": {"drawing"},
        "pages": {"drawing", "replay"},
        "calibration": {"drawing", "pages"},
        "trial": {"drawing", "pages"},
        "rig_form": {"drawing"},
    },
    "simulator": {"stand": set(), "device": {"stand"}},
    "link": {"codegen": set()},
    "physics": {"materials": set()},
    "safety": {"back_test": set()},
    "recording": {"foreign": set()},
    "results": {
        "figures": set(),
        "check": {"figures"},
        "dry_run": {"figures"},
        "stand": set(),
        "tune": set(),
        "limits": {"figures"},
        "report": {"check", "figures", "limits", "tune"},
        "vibration": set(),
    },
    "cli": {"verbs": {"rehearsal", "still"}, "rehearsal": set(), "still": set()},
}
# Files beside the sub-packages are above them all, but here they are below.
FILES_BELOW = {"analysis", "link", "recording", "results", "safety", "cli"}
# Whose sub-packages are entered through their front, not by the file.
ENTERED_BY_THE_FRONT = {"analysis"}
SLOW = ("PyQt5", "pyqtgraph", "scipy", "matplotlib")
ONLY_IN_A_VERB = ("window", "simulator")


def part(module: str, depth: int) -> str:
    """The ``depth``-th word of a dotted name, empty where it has none: 1 is the package, 2 the sub-package or file."""
    return [*module.split("."), "", ""][depth]


def room(module: str) -> str:
    """The sub-package of a module; empty for a file beside sub-packages."""
    package, name = part(module, 1), part(module, 2)
    return name if name in ROOMS.get(package, {}) else ""


def forbidden(imports: Iterable[Import]) -> list[str]:
    """Arrows between packages that the table does not have."""
    return [str(one) for one in arrows(imports) if not may(part(one.importer, 1), part(one.module, 1))]


def may(package: str, other: str) -> bool:
    """Whether ``package`` may import ``other``; nobody imports the root, which is there for the world outside."""
    return other in MAY_IMPORT.get(package, set()) | SHARED_WORDS | {package}


def forbidden_inside(imports: Iterable[Import]) -> list[str]:
    """Arrows between the sub-packages of one package that the table does not have."""
    inside = [one for one in arrows(imports) if part(one.importer, 1) == part(one.module, 1) in ROOMS]
    return [str(one) for one in inside if not may_inside(part(one.importer, 1), room(one.importer), room(one.module))]


def may_inside(package: str, own: str, other: str) -> bool:
    """Whether sub-package ``own`` may import ``other``; empty stands for the files beside them."""
    if own == other:
        return True
    if not own:
        return package not in FILES_BELOW
    return not other or other in ROOMS[package][own]


def past_the_front(imports: Iterable[Import]) -> list[str]:
    """Arrows from outside that name a file of a sub-package instead of the sub-package."""
    deep = [one for one in arrows(imports) if part(one.module, 1) in ENTERED_BY_THE_FRONT and one.module.count(".") > 2]
    return [str(one) for one in deep if one.importer.split(".")[:3] != one.module.split(".")[:3]]


def slow_at_the_top(imports: Iterable[Import]) -> list[str]:
    """Imports of slow libraries that every start would pay for: outside functions, not only for types."""
    top = [one for one in imports if not one.in_function and not one.for_types and part(one.importer, 1) != "window"]
    return [str(one) for one in top if one.module.split(".")[0] in SLOW]


def outside_the_verb(imports: Iterable[Import]) -> list[str]:
    """Imports of the window or the simulator at the top of a file of the command line."""
    top = [one for one in arrows(imports) if not one.in_function and not one.for_types]
    return [str(one) for one in top if part(one.importer, 1) == "cli" and part(one.module, 1) in ONLY_IN_A_VERB]


RULES = {
    "an arrow that the table of packages does not have": forbidden,
    "an arrow between sub-packages that the table does not have": forbidden_inside,
    "an import of a file where the sub-package exports": past_the_front,
    "a slow library at the top of a file: import it inside the function that needs it": slow_at_the_top,
    "window or simulator at the top of a file of the command line": outside_the_verb,
}


@pytest.mark.parametrize("told", RULES)
def test_every_import_keeps_the_rule(told: str) -> None:
    found = RULES[told](own_imports())
    assert not found, f"{told} (DEVELOPERS.md has the table):\n" + "\n".join(found)


def folders(path: Path) -> set[str]:
    return {child.name for child in path.iterdir() if child.is_dir() and any(child.rglob("*.py"))}


def test_the_table_knows_every_package() -> None:
    assert folders(PACKAGE) | NOT_BUILT_YET == PACKAGES


def test_the_table_knows_every_sub_package() -> None:
    found = {package: folders(PACKAGE / package) for package in PACKAGES & folders(PACKAGE)}
    assert {package: rooms for package, rooms in found.items() if rooms} == {
        package: set(rooms) for package, rooms in ROOMS.items()
    }


def test_the_table_has_no_circle_of_packages() -> None:
    """What the table allows goes one way: else a circle of packages would be allowed by it."""
    below: set[str] = set()
    while free := {package for package in PACKAGES - below if MAY_IMPORT[package] <= below}:
        below |= free
    assert below == PACKAGES


def test_files_at_the_top_are_shared_words_or_entrances() -> None:
    top = {part(name, 1) for name, path in modules_of(PACKAGE).items() if path.parent == PACKAGE}
    assert top == SHARED_WORDS | {"__main__", ""}


# --- the rules themselves, on made-up imports -----------------------------------------------------------------------


def arrow(importer: str, module: str, **where: bool) -> list[Import]:
    return [Import(f"whirlbench.{importer}", module.replace("~", "whirlbench"), 1, **where)]


@pytest.mark.parametrize(
    ("importer", "module", "is_kept"),
    [
        ("analysis.onset.a", "~.physics.drive", True),
        ("analysis.onset.a", "~.errors", True),
        ("analysis.onset.a", "~.recording.files", False),
        ("report.page", "~.analysis.strength", False),
        ("report.page", "~.results.answer", True),
        ("window.pages.a", "~.analysis.strength", False),
        ("window.pages.a", "~.simulator.runs", False),
        ("physics.a", "~.rig.description", False),
        ("rig.a", "~.physics.drive", True),
        ("session.engine.a", "~.simulator.runs", False),
        ("rig.a", "~", False),
        ("rig.a", "~.stranger", False),
        ("samples", "~.errors", True),
        ("samples", "~.rig.toml", False),
        ("cli.a", "~.window.app", True),
    ],
)
def test_arrows_between_packages(importer: str, module: str, is_kept: bool) -> None:
    for where in ({}, {"in_function": True}, {"for_types": True}):
        assert (not forbidden(arrow(importer, module, **where))) is is_kept


@pytest.mark.parametrize(
    ("importer", "module", "is_kept"),
    [
        ("analysis.onset.a", "~.analysis.orders", True),
        ("analysis.orders.a", "~.analysis.onset", False),
        ("analysis.governor.a", "~.analysis.propeller", False),
        ("analysis.governor.a", "~.analysis.conditions", True),
        ("analysis.conditions", "~.analysis.governor", False),
        ("analysis", "~.analysis.governor", False),
        ("session.plan.a", "~.session.process.loop", False),
        ("session.process.a", "~.session.plan.steps", True),
        ("window.drawing.a", "~.window.live.bridge", False),
        ("window.pages.a", "~.window.live.bridge", False),
        ("window.main_window", "~.window.live.bridge", True),
        ("simulator.stand.a", "~.simulator.device.machine", False),
        ("simulator.device.a", "~.simulator.stand.plant", True),
        ("link.messages", "~.link.codegen.cpp_declarations", False),
        ("link.codegen.a", "~.link.messages", True),
    ],
)
def test_arrows_between_sub_packages(importer: str, module: str, is_kept: bool) -> None:
    for where in ({}, {"in_function": True}, {"for_types": True}):
        assert (not forbidden_inside(arrow(importer, module, **where))) is is_kept


def test_a_sub_package_is_entered_by_its_front() -> None:
    assert past_the_front(arrow("cli.limits", "~.analysis.orders.tracking", in_function=True))
    assert past_the_front(arrow("analysis.onset.a", "~.analysis.orders.tracking"))
    assert not past_the_front(arrow("analysis.orders.a", "~.analysis.orders.tracking"))
    assert not past_the_front(arrow("analysis.orders", "~.analysis.orders.tracking"))
    assert not past_the_front(arrow("cli.limits", "~.analysis.orders"))
    assert not past_the_front(arrow("analysis.onset.a", "~.analysis.conditions"))


def test_slow_libraries_only_where_they_are_used() -> None:
    assert slow_at_the_top(arrow("analysis.onset.a", "scipy.signal"))
    assert not slow_at_the_top(arrow("analysis.onset.a", "scipy.signal", in_function=True))
    assert not slow_at_the_top(arrow("report.a", "matplotlib.figure", for_types=True))
    assert not slow_at_the_top(arrow("window.app", "PyQt5.QtWidgets"))


def test_the_command_line_starts_without_window_and_simulator() -> None:
    assert outside_the_verb(arrow("cli.spin", "~.simulator.runs"))
    assert not outside_the_verb(arrow("cli.spin", "~.simulator.runs", in_function=True))
    assert not outside_the_verb(arrow("window.app", "~.window.display"))
