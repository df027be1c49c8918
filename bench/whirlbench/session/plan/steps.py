"""Plans: the staged sequence of a run, read from TOML into frozen steps.

A plan file holds a few keys for the whole and one ``[[step]]`` table a stage. What a step does not name stays as it
is. ``throttle_pct`` counts from the rig's ``throttle.min_us`` (0) to ``max_us`` (100).
"""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path
from typing import Annotated, ClassVar, Literal, Union

import msgspec
from msgspec import Meta

from whirlbench.errors import PlanError
from whirlbench.rig.declaration import choices
from whirlbench.rig.toml_text import complaint_and_path, field_named_in, parse_table, read_text

Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Pulse = Annotated[float, Meta(ge=500, le=2500)]
Percent = Annotated[float, Meta(ge=0, le=100)]
Duration = Annotated[float, Meta(gt=0, le=3600)]
EXAMPLE = "short_spin.toml"
MOST_STEPS = 1000  # more are a slip of whoever generated the file, and would slow down the loop that keeps watch


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True, kw_only=True):
    """Base of the tables of a plan file."""


class Step(Table, frozen=True, kw_only=True, tag_field="kind"):
    """What every step may have; ``stop_above_margin_pct`` overrides the plan's."""

    kind: ClassVar[str] = ""
    name: str = ""
    stop_above_margin_pct: Positive | None = None


class Targets(Step, frozen=True, kw_only=True):
    """Where a step takes throttle (or request) and pitch; at most one key of each pair."""

    throttle_us: Pulse | None = None
    throttle_pct: Percent | None = None
    request_rpm: NotNegative | None = None
    pitch_deg: float | None = None
    servo_us: Pulse | None = None


class Hold(Targets, frozen=True, kw_only=True, tag="hold"):
    """Ramps to its targets, then keeps them for ``duration_s``."""

    kind: ClassVar[str] = "hold"
    duration_s: Duration
    ramp_us_per_s: Positive | None = None
    ramp_rpm_per_s: Positive | None = None
    ramp_deg_per_s: Positive | None = None


class Jump(Targets, frozen=True, kw_only=True, tag="step"):
    """Goes to its targets at once, as fast as the device lets it, and stays until ``duration_s`` is over."""

    kind: ClassVar[str] = "step"
    duration_s: Duration


class Sweep(Step, frozen=True, kw_only=True, tag="sweep"):
    """Ramps to the first value of each pair, then moves evenly to the second within ``duration_s``."""

    kind: ClassVar[str] = "sweep"
    duration_s: Duration
    throttle_us: tuple[Pulse, Pulse] | None = None
    throttle_pct: tuple[Percent, Percent] | None = None
    request_rpm: tuple[NotNegative, NotNegative] | None = None
    pitch_deg: tuple[float, float] | None = None
    servo_us: tuple[Pulse, Pulse] | None = None
    ramp_us_per_s: Positive | None = None
    ramp_rpm_per_s: Positive | None = None
    ramp_deg_per_s: Positive | None = None


class Multisine(Step, frozen=True, kw_only=True, tag="multisine"):
    """Moves one quantity about its present value by a sum of sines, ``amplitude`` being the greatest excursion."""

    kind: ClassVar[str] = "multisine"
    duration_s: Duration
    amplitude_us: Positive | None = None  # of the throttle pulse
    amplitude_rpm: Positive | None = None  # of the request
    amplitude_deg: Positive | None = None  # of the blade angle
    low_hz: Positive = 0.1
    high_hz: Annotated[float, Meta(gt=0, le=10)] = 2.0  # set-points leave 50 times a second
    tones: Annotated[int, Meta(ge=1, le=40)] = 8


class CoastDown(Step, frozen=True, kw_only=True, tag="coast-down"):
    """Closes the throttle at once and waits for rest, at most ``duration_s``."""

    kind: ClassVar[str] = "coast-down"
    duration_s: Duration = 120.0


class Inspect(Step, frozen=True, kw_only=True, tag="inspect"):
    """Coasts to rest, locks the stand, waits for the operator's word, and arms again."""

    kind: ClassVar[str] = "inspect"
    note: str = ""  # what to look at


AnyStep = Union[Hold, Jump, Sweep, Multisine, CoastDown, Inspect]  # noqa: UP007


class Plan(Table, frozen=True, kw_only=True):
    """A whole plan file.

    ``governor = "off"`` runs with the bench's governor passed through, whatever the rig says. Crossing
    ``stop_above_margin_pct`` of any limit aborts the plan before the limit trips.
    """

    name: str = ""
    governor: Literal["rig", "off"] = "rig"
    ramp_us_per_s: Positive = 100.0
    ramp_rpm_per_s: Positive = 500.0
    ramp_deg_per_s: Positive = 5.0
    stop_above_margin_pct: Positive | None = None
    steps: tuple[AnyStep, ...] = msgspec.field(name="step", default=())


def parse_plan(text: str, source: str = "plan") -> Plan:
    """Plan in TOML ``text``; PlanError names ``source``, the step by its number, the key and what was expected."""
    table = parse_table(text, source, PlanError)
    try:
        plan = msgspec.convert(table, Plan)
    except msgspec.ValidationError as error:
        raise PlanError(f"{source}: {_plain(error)}") from error
    if not plan.steps:
        raise PlanError(f"{source}: no [[step]]: a plan needs at least one")
    if len(plan.steps) > MOST_STEPS:
        raise PlanError(f"{source}: {len(plan.steps)} tables [[step]]: a plan has at most {MOST_STEPS}")
    return plan


def read_plan(path: Path | str) -> tuple[Plan, str]:
    """Plan in the file at ``path`` and the text it was read from."""
    text = read_text(path, "a plan file", PlanError)
    return parse_plan(text, str(path)), text


def shipped_plan_text(name: str = EXAMPLE) -> str:
    """Text of a plan that is shipped with the package: ``name`` is its file, by default the example."""
    return resources.files("whirlbench.session.plan").joinpath("shipped", name).read_text(encoding="utf-8")


def _plain(error: msgspec.ValidationError) -> str:
    """The complaint of msgspec with its path turned into step number and key."""
    text, path = complaint_and_path(error)
    place = re.sub(r"step\[(\d+)\]\.?", lambda match: f"step {int(match.group(1)) + 1} ", path).strip()
    unknown = field_named_in(text, "object contains unknown field")
    if unknown is not None:
        return f"{place} unknown key {unknown}; remove it or correct its spelling".strip()
    missing = field_named_in(text, "object missing required field")
    if missing is not None:
        return f"{place} key {missing} is missing".strip()
    admitted = choices(Plan, path) if text.startswith("invalid") else ()
    expected = f"; expected one of {', '.join(admitted)}" if admitted else ""
    return f"{place or 'top level'}: {text}{expected}"
