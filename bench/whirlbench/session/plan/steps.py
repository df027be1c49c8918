"""Plans: the staged sequence of a run, read from TOML into frozen steps.

A plan file holds a few keys for the whole and one ``[[step]]`` table a stage. What a step does not name stays as it
is. ``throttle_pct`` counts from the rig's ``throttle.min_us`` (0) to ``max_us`` (100).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Union

import msgspec
from msgspec import Meta

from whirlbench.errors import PlanError
from whirlbench.rig.declaration import NotNegative, Positive, Pulse, Section, choices, key, unknown_key
from whirlbench.rig.limits import Limits
from whirlbench.rig.toml_text import complaint_and_path, field_named_in, parse_table, read_text

Percent = Annotated[float, Meta(ge=0, le=100)]
Duration = Annotated[float, Meta(gt=0, le=3600)]
EXAMPLE = "short_spin.toml"
MOST_STEPS = 1000  # more are a slip of whoever generated the file, and would slow down the loop that keeps watch

Margin = Annotated[
    Positive | None,
    key("Share of any limit in use from which the plan stops by itself, before a trip.", "%", example=95),
]
RampUs = Annotated[
    Positive | None, key("How fast its ramp moves the throttle; absent: the plan's.", "us/s", example=50)
]
RampRpm = Annotated[
    Positive | None, key("How fast its ramp moves the request; absent: the plan's.", "rpm/s", example=300)
]
RampDeg = Annotated[
    Positive | None, key("How fast its ramp moves the blade angle; absent: the plan's.", "deg/s", example=2)
]


class Step(Section, frozen=True, kw_only=True, tag_field="kind"):
    """What every step may have; ``stop_above_margin_pct`` overrides the plan's."""

    kind: ClassVar[str] = ""
    name: Annotated[str, key("Name of the step, for screen and recording.", example='"half way"')] = ""
    stop_above_margin_pct: Margin = None


class Targets(Step, frozen=True, kw_only=True):
    """Where a step takes throttle (or request) and pitch; at most one key of each pair."""

    throttle_us: Annotated[Pulse | None, key("Throttle pulse.", "us", example=1350)] = None
    throttle_pct: Annotated[
        Percent | None, key("The same as a share of the way from throttle.min_us to max_us.", "%", example=30)
    ] = None
    request_rpm: Annotated[
        NotNegative | None, key("Speed asked of what governs: bench or speed controller.", "rpm", example=3500)
    ] = None
    pitch_deg: Annotated[float | None, key("Blade angle, by the rig's pitch.table.", "deg", example=8)] = None
    servo_us: Annotated[Pulse | None, key("Pulse of the pitch servo.", "us", example=1400)] = None


class Hold(Targets, frozen=True, kw_only=True, tag="hold"):
    """Ramps to its targets, then keeps them for ``duration_s``."""

    kind: ClassVar[str] = "hold"
    duration_s: Annotated[Duration, key("How long it is held, after the ramp.", "s", example=10)]
    ramp_us_per_s: RampUs = None
    ramp_rpm_per_s: RampRpm = None
    ramp_deg_per_s: RampDeg = None


class Jump(Targets, frozen=True, kw_only=True, tag="step"):
    """Goes to its targets at once, as fast as the device lets it, and stays until ``duration_s`` is over."""

    kind: ClassVar[str] = "step"
    duration_s: Annotated[Duration, key("How long it stays there.", "s", example=4)]


class Sweep(Step, frozen=True, kw_only=True, tag="sweep"):
    """Ramps to the first value of each pair, then moves evenly to the second within ``duration_s``."""

    kind: ClassVar[str] = "sweep"
    duration_s: Annotated[Duration, key("How long the way from the first to the second takes.", "s", example=20)]
    throttle_us: Annotated[
        tuple[Pulse, Pulse] | None, key("Throttle pulse, from and to.", "us", example="[1200, 1500]")
    ] = None
    throttle_pct: Annotated[
        tuple[Percent, Percent] | None,
        key("The same as a share of the way from throttle.min_us to max_us.", "%", example="[10, 40]"),
    ] = None
    request_rpm: Annotated[
        tuple[NotNegative, NotNegative] | None,
        key("Speed asked of what governs, from and to.", "rpm", example="[2500, 4000]"),
    ] = None
    pitch_deg: Annotated[tuple[float, float] | None, key("Blade angle, from and to.", "deg", example="[8, 12]")] = None
    servo_us: Annotated[
        tuple[Pulse, Pulse] | None, key("Pulse of the pitch servo, from and to.", "us", example="[1400, 1530]")
    ] = None
    ramp_us_per_s: RampUs = None
    ramp_rpm_per_s: RampRpm = None
    ramp_deg_per_s: RampDeg = None


class Multisine(Step, frozen=True, kw_only=True, tag="multisine"):
    """Moves one quantity about its present value by a sum of sines, ``amplitude`` being the greatest excursion."""

    kind: ClassVar[str] = "multisine"
    duration_s: Annotated[Duration, key("How long it moves.", "s", example=20)]
    amplitude_us: Annotated[Positive | None, key("Greatest excursion of the throttle pulse.", "us", example=30)] = None
    amplitude_rpm: Annotated[Positive | None, key("Greatest excursion of the request.", "rpm", example=40)] = None
    amplitude_deg: Annotated[Positive | None, key("Greatest excursion of the blade angle.", "deg", example=1)] = None
    low_hz: Annotated[Positive, key("Slowest sine.", "Hz", example=0.2)] = 0.1
    high_hz: Annotated[  # set-points leave 50 times a second
        Annotated[float, Meta(gt=0, le=10)], key("Fastest sine.", "Hz", example=4)
    ] = 2.0
    tones: Annotated[Annotated[int, Meta(ge=1, le=40)], key("How many sines.", example=8)] = 8


class CoastDown(Step, frozen=True, kw_only=True, tag="coast-down"):
    """Closes the throttle at once and waits for rest, at most ``duration_s``."""

    kind: ClassVar[str] = "coast-down"
    duration_s: Annotated[Duration, key("How long rest is waited for, at most.", "s", example=60)] = 120.0


class Inspect(Step, frozen=True, kw_only=True, tag="inspect"):
    """Coasts to rest, locks the stand, waits for the operator's word, and arms again."""

    kind: ClassVar[str] = "inspect"
    note: Annotated[str, key("What to look at.", example='"roots: white marks, cracks, looseness"')] = ""


AnyStep = Union[Hold, Jump, Sweep, Multisine, CoastDown, Inspect]  # noqa: UP007


class Repeat(Section, frozen=True, kw_only=True, tag="repeat", tag_field="kind"):
    """Does its own steps, ``[[step.step]]`` below it, several times over; they are counted as if written out."""

    times: Annotated[Annotated[int, Meta(ge=2, le=MOST_STEPS)], key("How often.", example=3)]
    steps: Annotated[
        Annotated[tuple[AnyStep, ...], Meta(min_length=1)], key("Its steps: tables [[step.step]] of any other kind.")
    ] = msgspec.field(name="step")


class Plan(Section, frozen=True, kw_only=True):
    """A whole plan file, repeats written out.

    ``governor = "off"`` runs with the bench's governor passed through, whatever the rig says. Crossing
    ``stop_above_margin_pct`` of any limit aborts the plan before the limit trips. ``limits`` are stricter than the
    rig's, see ``narrowing``.
    """

    name: Annotated[str, key("Name of the plan, for screen and recording.", example='"short staged spin"')] = ""
    governor: Annotated[
        Literal["rig", "off"],
        key("off: the bench's governor passes through, whatever the rig says.", example='"off"'),
    ] = "rig"
    ramp_us_per_s: Annotated[
        Positive, key("How fast ramps move the throttle, at most the rig's throttle.slew_us_per_s.", "us/s", example=50)
    ] = 100.0
    ramp_rpm_per_s: Annotated[Positive, key("How fast ramps move the request.", "rpm/s", example=300)] = 500.0
    ramp_deg_per_s: Annotated[Positive, key("How fast ramps move the blade angle.", "deg/s", example=2)] = 5.0
    stop_above_margin_pct: Margin = None
    limits: Limits = Limits()
    steps: tuple[AnyStep, ...] = msgspec.field(name="step", default=())


class PlanFile(Plan, frozen=True, kw_only=True):
    """A plan as it is written."""

    steps: tuple[AnyStep | Repeat, ...] = msgspec.field(name="step", default=())  # type: ignore[assignment]


def parse_plan(text: str, source: str = "plan") -> Plan:
    """Plan in TOML ``text``; PlanError names ``source``, the step by its number, the key and what was expected."""
    table = parse_table(text, source, PlanError)
    try:
        file = msgspec.convert(table, PlanFile)
    except msgspec.ValidationError as error:
        raise PlanError(f"{source}: {_plain(error, table)}") from error
    count = sum(item.times * len(item.steps) if isinstance(item, Repeat) else 1 for item in file.steps)
    if not count:
        raise PlanError(f"{source}: no [[step]]: a plan needs at least one")
    if count > MOST_STEPS:
        raise PlanError(f"{source}: {count} tables [[step]]: a plan has at most {MOST_STEPS}, repeats written out")
    keys = {field: getattr(file, field) for field in Plan.__struct_fields__}
    return Plan(**{**keys, "steps": tuple(_written_out(file))})


def _written_out(file: PlanFile) -> Iterator[AnyStep]:
    for item in file.steps:
        if not isinstance(item, Repeat):
            yield item
            continue
        for turn in range(1, item.times + 1):
            for step in item.steps:
                yield msgspec.structs.replace(step, name=f"{step.name} ({turn} of {item.times})".strip())


def read_plan(path: Path | str) -> tuple[Plan, str]:
    """Plan in the file at ``path`` and the text it was read from."""
    text = read_text(path, "a plan file", PlanError)
    return parse_plan(text, str(path)), text


def shipped_plan_text(name: str = EXAMPLE) -> str:
    """Text of a plan that is shipped with the package: ``name`` is its file, by default the example."""
    return resources.files("whirlbench.session.plan").joinpath("shipped", name).read_text(encoding="utf-8")


def _plain(error: msgspec.ValidationError, table: dict[str, Any]) -> str:
    """The complaint of msgspec with its path turned into step number and key."""
    text, path = complaint_and_path(error)
    place = re.sub(r"step\[(\d+)\]\.?", lambda match: f"step {int(match.group(1)) + 1} ", path).strip()
    unknown = field_named_in(text, "object contains unknown field")
    if unknown is not None:
        told = unknown_key(PlanFile, path, unknown, _kind_at(table, path))
        return f"{place} {told.replace(f'{path}.', '', 1)}" if path.startswith("step[") else told
    missing = field_named_in(text, "object missing required field")
    if missing is not None:
        return f"{place} key {missing} is missing".strip()
    admitted = choices(PlanFile, path) if text.startswith("invalid") else ()
    expected = f"; expected one of {', '.join(dict.fromkeys(admitted))}" if admitted else ""
    return f"{place or 'top level'}: {text}{expected}"


def _kind_at(table: Any, path: str) -> str | None:
    """The ``kind`` of the step at ``path`` ("step[2].step[0]"), None where the file does not tell."""
    for name, number in re.findall(r"(\w+)(?:\[(\d+)\])?", path):
        table = table.get(name) if isinstance(table, dict) else None
        table = table[int(number)] if number and isinstance(table, list) else table
    kind = table.get("kind") if isinstance(table, dict) else None
    return kind if isinstance(kind, str) else None
