"""Runs or blade sets side by side: thrust, power, vibration at like speed and pitch, permitted speeds, what differs.

Figures of the second run are brought to the first one's speed (thrust with its square, power with its cube), over a few
per cent at most. Errors that both share, the calibration when it is the same one, move both alike and are left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.propeller import Hold, Measured, find_holds
from whirlbench.errors import AnalysisError, RigError
from whirlbench.results.answer import (
    NONE,
    Answer,
    Column,
    Level,
    NotJudged,
    Remark,
    Table,
    figure,
    fixed,
    listed,
    not_judged,
    with_error,
)
from whirlbench.results.chart import Chart, Curve
from whirlbench.results.check import judge_fitted_set
from whirlbench.results.figures.readings import BEHIND, hold_error, hold_mark, with_calibration
from whirlbench.results.limits import SecondSet, limits_study
from whirlbench.results.report.chapter import Chapter, RecordedRun, Report
from whirlbench.results.report.rig_facts import NO_RIG, differing_keys, rig_answer
from whirlbench.results.report.run_report import identity
from whirlbench.results.run_grounds import own_rig_words, with_grounds
from whirlbench.rig.description import Rig

SUBJECT = "runs side by side"
LIKE_SPEED_PCT, LIKE_PITCH_DEG = 3.0, 0.3  # how far two holds may lie apart to be compared; our choice
SIGNIFICANT = 0.05  # chance, over the whole table, that one of its differences is called real and is noise
QUANTITIES = (  # field of a hold, words, unit, power of speed
    ("thrust_n", "thrust", "N", 2),
    ("power_w", "electrical power", "W", 3),
    ("vibration_g_rms", "vibration", "g rms", 0),
)
PAIR_COLUMNS = (
    Column("speed", "rpm"),
    Column("pitch", "deg"),
    Column("quantity", figures=False),
    Column("first"),
    Column("second"),
    Column("difference", "%"),
    Column("chance of noise alone"),
    Column("verdict", figures=False),
)
PERMITTED_COLUMNS = (
    Column("run", figures=False),
    Column("blade set", figures=False),
    Column("permitted, 5 % figure", "rpm"),
    Column("why none", figures=False),
)
KEY_COLUMNS = (Column("rig key", figures=False), Column("first", figures=False), Column("second", figures=False))
PAIRS = f"At like speed (within {LIKE_SPEED_PCT:g} %) and pitch (within {LIKE_PITCH_DEG:g} deg)"
REAL, NOISE = "real", "within scatter"
HOLM = (
    "Real: less than 1 in 20 for the whole table (Holm 1979); the chance of a row is two-sided, normal. Scatter over "
    "the hold and the blade angle's own error are in it."
)
HOLDS_CAPTION = "A dot is the mean {} of one settled hold, of {} and of {}; at other blade angles they need not agree."
ONE_RUN_EACH = "one run of each shows what these runs did; another fitting of the same set may differ by more"


@dataclass(frozen=True)
class Pair:
    """One quantity at like speed and pitch: ``second`` at the first one's speed; ``chance`` of noise alone.

    ``first`` and ``second`` carry the error of their calibration; the difference only where they do not share it.
    """

    rpm: float
    pitch_deg: float
    quantity: str
    unit: str
    first: Measured
    second: Measured
    difference_pct: float
    stderr_pct: float
    chance: float
    marks: tuple[str, str] = ("", "")  # beside a figure whose sensor stood beyond what was calibrated


def compared_runs(runs: Sequence[RecordedRun], progress: Callable[[str], None] = lambda title: None) -> Report:
    """The report of two or more runs: each is laid beside the first."""
    first, chapters = runs[0], []
    for second in runs[1:]:
        progress(f"{first.name} beside {second.name}")
        title = f"{first.name} (first) beside {second.name} (second)"
        chapters.append(Chapter(title, _answered(lambda second=second: _told(first, second))))  # type: ignore[misc]
    progress("permitted speeds")
    chapters.append(Chapter("Permitted speeds", permitted_speeds(runs)))
    for one in runs:
        chapters += [
            Chapter(f"Set, rig and calibration of {one.name}", rig_answer(one), judges=False),
            Chapter(f"Identity of {one.name}", identity(one), judges=False),
        ]
    names, words = tuple(one.name for one in runs), tuple(own_rig_words(one.run) for one in runs if one.own_rig)
    return Report(f"Comparison: {' beside '.join(names)}", names, tuple(chapters), words)


def _told(first: RecordedRun, second: RecordedRun) -> Answer:
    """Both beside each other, with what is to be said of the recordings."""
    answer = with_grounds(beside(first, second), [first.run, second.run])
    own = tuple(Remark(Level.NOTE, own_rig_words(one.run)) for one in (first, second) if one.own_rig)
    return replace(answer, remarks=(*answer.remarks, *own))


def _answered(make: Callable[[], Answer]) -> Answer:
    try:
        return make()
    except (AnalysisError, RigError) as error:
        return not_judged(SUBJECT, str(error))


def beside(first: RecordedRun, second: RecordedRun) -> Answer:
    """Two runs in words; AnalysisError when one has no speed."""
    pairs, unmatched = like_pairs(first, second)
    real = significant(pairs)
    coefficients = _coefficients(first, second)
    keys = () if first.rig is None or second.rig is None else differing_keys(first.rig, second.rig)
    open_ = [NotJudged("thrust, power and vibration at like speed and pitch", _no_pair())] if not pairs else []
    open_ += [NotJudged("coefficients over pitch", coefficients.why)] if coefficients.why else []
    open_ += [NotJudged("what differs in the rigs", NO_RIG)] if first.rig is None or second.rig is None else []
    rows = tuple(_pair_row(pair, place in real) for place, pair in enumerate(pairs))
    return Answer(
        SUBJECT,
        _headline(pairs, real),
        tables=(
            Table("pairs", PAIRS, PAIR_COLUMNS, rows),
            coefficients.table,
            Table("keys", "What differs in rig and calibration", KEY_COLUMNS, keys),
        ),
        charts=tuple(_charts(first, second)),
        remarks=tuple(_remarks(first, second, unmatched, bool(pairs), keys)),
        not_judged=tuple(open_),
        judged=bool(pairs or coefficients.differences),
        document={"pairs": pairs, "real": sorted(real), "differing_keys": keys},
    )  # fmt: skip


def side_by_side(first: RecordedRun, second: RecordedRun) -> Answer:
    """Two runs in words with the permitted speeds of both, for a surface that shows one answer."""
    found, speeds = _answered(lambda: beside(first, second)), permitted_speeds((first, second))
    return replace(
        found,
        tables=(*found.tables, *speeds.tables),
        remarks=(*found.remarks, Remark(Level.NOTE, speeds.headline), *speeds.remarks),
        not_judged=(*found.not_judged, *speeds.not_judged),
    )


def _no_pair() -> str:
    return "the runs share no settled hold: record both by the same plan"


def _headline(pairs: Sequence[Pair], real: frozenset[int]) -> str:
    if not pairs:
        return "nothing could be compared at like speed and pitch"
    if not real:
        return f"no difference beyond scatter in {len(pairs)} comparisons"
    worst = max((pairs[place] for place in real), key=lambda pair: abs(pair.difference_pct))
    return (
        f"{len(real)} of {len(pairs)} comparisons differ beyond scatter; most: {worst.quantity} "
        f"{worst.difference_pct:+.1f} ± {worst.stderr_pct:.1f} % at {worst.rpm:.0f} rpm, {worst.pitch_deg:.1f} deg"
    )


def like_pairs(first: RecordedRun, second: RecordedRun) -> tuple[tuple[Pair, ...], int]:
    """Every quantity of every pair of like holds, and how many holds of the second found no like one."""
    ones, twos = (find_holds(one.run).holds for one in (first, second))
    found: list[Pair] = []
    unmatched = 0
    for two in twos:
        one = _like(ones, two)
        unmatched += one is None
        if one is not None:
            slopes = {name: _per_degree(ones, name) for name, *_ in QUANTITIES}
            found += _pairs(one, two, slopes, first.rig, second.rig)
    return tuple(found), unmatched


def _like(holds: Sequence[Hold], other: Hold) -> Hold | None:
    """The nearest hold at like speed and pitch."""
    near = [hold for hold in holds if _apart(hold, other) <= 1.0]
    return min(near, key=lambda hold: _apart(hold, other)) if near else None


def _apart(one: Hold, two: Hold) -> float:
    """How far two holds lie apart, 1 at the border of what is compared."""
    speed = abs(two.rpm.mean / one.rpm.mean - 1.0) * 100.0 / LIKE_SPEED_PCT
    pitch = abs(two.pitch_deg.mean - one.pitch_deg.mean) / LIKE_PITCH_DEG
    unknown = math.isnan(one.pitch_deg.mean) and math.isnan(two.pitch_deg.mean)
    return speed if unknown else max(speed, pitch if not math.isnan(pitch) else math.inf)


def _per_degree(holds: Sequence[Hold], name: str) -> float:
    """Share by which the quantity over its power of speed changes with a degree of pitch; 0 where no two tell."""
    power = {key: exponent for key, _, _, exponent in QUANTITIES}[name]
    known = [(one.pitch_deg.mean, getattr(one, name).mean / one.rpm.mean**power) for one in holds]
    pitch, values = np.array([pair for pair in known if np.isfinite(pair).all()]).reshape(-1, 2).T
    if len(pitch) < 2 or np.ptp(pitch) < 1.0:
        return 0.0
    slope = float(np.polyfit(pitch, values, 1)[0])
    return slope / float(np.mean(values))


def _pairs(one: Hold, two: Hold, slopes: dict[str, float], rig: Rig | None, other: Rig | None) -> Iterator[Pair]:
    ratio = one.rpm.mean / two.rpm.mean
    for name, words, unit, power in QUANTITIES:
        first, raw = getattr(one, name), getattr(two, name)
        if not (math.isfinite(first.mean) and math.isfinite(raw.mean)) or first.mean == 0.0:
            continue
        speed = power * math.hypot(one.rpm.stderr / one.rpm.mean, two.rpm.stderr / two.rpm.mean)
        second = Measured(raw.mean * ratio**power, raw.stderr * ratio**power)
        shares = [first.stderr / first.mean, second.stderr / first.mean, speed if math.isfinite(speed) else 0.0]
        shares += [slopes[name] * _pitch_error(one, two, rig, other)]
        calibration = [hold_error(rig, one, name), hold_error(other, two, name) * ratio**power]
        differ = _calibrations_differ(rig, other, name)
        shares += [each / first.mean for each in calibration] if differ else []
        error = math.sqrt(sum(share * share for share in shares if math.isfinite(share)))
        difference = second.mean / first.mean - 1.0
        unknown = differ and not all(map(math.isfinite, calibration))  # then no difference can be told from theirs
        chance = math.nan if unknown or error <= 0.0 else math.erfc(abs(difference) / (error * math.sqrt(2.0)))
        shown = (with_calibration(first, calibration[0]), with_calibration(second, calibration[1]))
        marks = (hold_mark(rig, one, name), hold_mark(other, two, name))
        at_rpm, at_deg = one.rpm.mean, one.pitch_deg.mean
        yield Pair(at_rpm, at_deg, words, unit, *shown, 100 * difference, 100 * error, chance, marks)


def _pitch_error(one: Hold, two: Hold, rig: Rig | None, other: Rig | None) -> float:
    """Standard error of the difference in true blade angle, with what the readings themselves differ by, deg."""
    errors = [each.pitch.stderr_deg for each in (rig, other) if each is not None]
    apart = two.pitch_deg.mean - one.pitch_deg.mean
    return math.hypot(*errors, apart if math.isfinite(apart) else 0.0)


def _calibrations_differ(first: Rig | None, second: Rig | None, name: str) -> bool:
    """Whether both are known, and are not one and the same for what ``name`` is worked out from."""
    if first is None or second is None:
        return False
    one, two = ([rig.calibration.get(channel) for channel in BEHIND.get(name, (name,))] for rig in (first, second))
    scales = [(rig.vibration.g_per_count, rig.vibration.stderr_pct) for rig in (first, second)]
    return one != two or (name == "vibration_g_rms" and scales[0] != scales[1])


def significant(pairs: Sequence[Pair]) -> frozenset[int]:
    """Places of the differences that are real at ``SIGNIFICANT`` over the whole table.

    Source: Holm, A simple sequentially rejective multiple test procedure, Scandinavian Journal of Statistics 6 (1979).
    """
    order = sorted(
        (place for place, pair in enumerate(pairs) if math.isfinite(pair.chance)), key=lambda place: pairs[place].chance
    )
    real = []
    for number, place in enumerate(order):
        if pairs[place].chance > SIGNIFICANT / (len(order) - number):
            break
        real.append(place)
    return frozenset(real)


def _pair_row(pair: Pair, real: bool) -> tuple[str, ...]:
    both = zip((pair.first, pair.second), pair.marks, strict=True)
    values = (f"{with_error(one.mean, one.stderr)} {pair.unit} {mark}".rstrip() for one, mark in both)
    chance = NONE if math.isnan(pair.chance) else f"{pair.chance:.2g}" if pair.chance >= 1e-4 else "below 0.0001"
    verdict = REAL if real else NOISE if math.isfinite(pair.chance) else "not judged"
    difference = f"{pair.difference_pct:+.1f} ± {pair.stderr_pct:.1f}"
    return fixed(pair.rpm, 0), fixed(pair.pitch_deg, 1), pair.quantity, *values, difference, chance, verdict


def _coefficients(first: RecordedRun, second: RecordedRun) -> SecondSet:
    if first.rig is None or second.rig is None:
        return SecondSet(why=NO_RIG)
    try:
        one, two = (limits_study([run], rig) for run, rig in ((first.run, first.rig), (second.run, second.rig)))
    except (AnalysisError, RigError) as error:
        return SecondSet(why=str(error))
    return SecondSet.compared(one.limits, two.limits)


def _charts(first: RecordedRun, second: RecordedRun) -> Iterator[Chart]:
    """Each quantity of all holds against speed: the legend tells the first from the second."""
    for name, words, unit, _ in QUANTITIES:
        curves: list[Curve] = []
        for run, ink in ((first, "measured"), (second, "model")):
            holds = sorted(find_holds(run.run).holds, key=lambda hold: hold.rpm.mean)
            values = np.array([getattr(hold, name).mean for hold in holds])
            if np.isfinite(values).any():
                speeds = np.array([hold.rpm.mean for hold in holds])
                curves.append(Curve(speeds, values, run.name, ink, dots=True))
        if len(curves) == 2:
            known = np.concatenate([curve.x for curve in curves])
            reach = (0.97 * float(known.min()), 1.03 * float(known.max()))
            yield Chart(
                f"{words} of every settled hold",
                "speed, rpm",
                f"{words}, {unit}",
                tuple(curves),
                x_span=reach,
                key=f"holds {name}",
                caption=HOLDS_CAPTION.format(words, first.name, second.name),
            )


def _remarks(
    first: RecordedRun, second: RecordedRun, unmatched: int, paired: bool, keys: Sequence[tuple[str, str, str]]
) -> Iterator[Remark]:
    if paired:
        yield Remark(Level.NOTE, HOLM)
        yield Remark(Level.CAUTION, ONE_RUN_EACH)
    if unmatched:
        yield Remark(
            Level.NOTE, f"{unmatched} holds of {second.name} have no like hold in {first.name} and are left out"
        )
    channels = list(dict.fromkeys(key.split(".")[1] for key, _, _ in keys if key.startswith("calibration.")))
    if channels:
        yield Remark(
            Level.CAUTION,
            f"the calibrations differ: {listed(channels)}; the errors of both are in the scatter",
        )
    if first.sha256 == second.sha256:
        yield Remark(Level.DANGER, "both files are one and the same recording: nothing was compared")


def permitted_speeds(runs: Sequence[RecordedRun]) -> Answer:
    """The permitted speed of every run's fitted set, beside each other."""
    rows, known = [], []
    for one in runs:
        found = judge_fitted_set(one.rig) if one.rig is not None else None
        rpm = None if found is None else found.permitted_rpm
        why = NO_RIG if found is None else found.why
        known.append((one.name, rpm, why))
        rows.append((one.name, (one.rig.propeller.blade_set if one.rig else None) or NONE, figure(rpm, 4), why or NONE))
    judged = [rpm for _, rpm, _ in known if rpm is not None]
    headline = "; ".join(f"{name}: {NONE if rpm is None else f'{rpm:.0f} rpm'}" for name, rpm, _ in known)
    return Answer(
        "permitted speeds", f"permitted: {headline}",
        tables=(Table("permitted", "Permitted speed of the fitted set", PERMITTED_COLUMNS, tuple(rows)),),
        not_judged=tuple(NotJudged(f"permitted speed of {name}", why) for name, rpm, why in known if rpm is None),
        judged=bool(judged),
        document={"permitted": {name: rpm for name, rpm, _ in known}},
    )  # fmt: skip
