"""Drawing of a blade root as chart data: the root from above and from the side, each dimension under its key."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from whirlbench.results.chart import Box, Caption, Chart, Curve
from whirlbench.rig.blade_sets import BondedRoot, ClampedRoot, GripRoot, Root, ShankRoot, TangRoot

MM = 1e3
KINDS = {
    "tang": "bolt through a flat",
    "grip": "blade grip with retaining pin",
    "clamped": "clamp with bolts",
    "shank": "round shank",
    "bonded": "root glued into a socket",
}
LANE = 0.16  # height of one dimension line, as a share of the views' height
WIDE = 2.2  # width of the paper over its height
ROUND = np.linspace(0.0, 2.0 * np.pi, 49)


@dataclass
class _Paper:
    """Collects lines and words; y upwards, x along the blade from the shaft, mm."""

    curves: list[Curve] = field(default_factory=list)
    boxes: list[Box] = field(default_factory=list)
    captions: list[Caption] = field(default_factory=list)
    legend: list[str] = field(default_factory=list)

    def line(self, *points: tuple[float, float], ink: str = "ink", dashed: bool = False) -> None:
        x, y = np.array(points, dtype=float).T
        self.curves.append(Curve(x, y, "", ink, dashed=dashed))

    def block(self, x: tuple[float, float], y: tuple[float, float], ink: str = "model", filled: bool = True) -> None:
        self.boxes.append(Box(x, y, "", ink, filled=filled))

    def circle(self, x: float, y: float, diameter: float) -> None:
        self.curves.append(Curve(x + diameter / 2.0 * np.cos(ROUND), y + diameter / 2.0 * np.sin(ROUND), "", "over"))

    def along(self, key: str, first: float, last: float, y: float) -> None:
        """A dimension along the blade."""
        tick = 0.02 * abs(last - first) + 0.3
        self.line((first, y), (last, y), ink="measured")
        for end in (first, last):
            self.line((end, y - tick), (end, y + tick), ink="measured")
        self._lettered(min(first, last), y, key, abs(last - first))

    def across(self, key: str, low: float, high: float, x: float) -> None:
        """A dimension across the blade."""
        tick = 0.02 * abs(high - low) + 0.2
        self.line((x, low), (x, high), ink="measured")
        for end in (low, high):
            self.line((x - tick, end), (x + tick, end), ink="measured")
        self._lettered(x, (low + high) / 2.0, key, abs(high - low))

    def note(self, text: str) -> None:
        """A key that has no line of its own."""
        self.legend.append(_in_words(text))

    def _lettered(self, x: float, y: float, key: str, size: float) -> None:
        letter = chr(ord("A") + sum(line[1:2] == " " for line in self.legend))
        self.captions.append(Caption(x, y, letter, "measured"))
        self.legend.append(f"{letter} {_in_words(key)} {size:.4g}")


def root_drawing(root: Root, title: str) -> Chart:
    """The root with its keys, to scale; lengths in mm."""
    paper = _Paper()
    if isinstance(root, TangRoot):
        kind = "grip" if isinstance(root, GripRoot) else "tang"
        _tang(paper, root)
    elif isinstance(root, ShankRoot):
        kind = "shank"
        _shank(paper, root)
    else:
        kind = "clamped" if isinstance(root, ClampedRoot) else "bonded"
        _held(paper, root)
    x, y = _spans(paper)
    _write_legend(paper, x, y)
    return Chart(
        f"{title}: {KINDS[kind]}, sizes as in [blade_sets.NAME.root]", "radius from the shaft's axis (mm)", "",
        curves=tuple(paper.curves), boxes=tuple(paper.boxes), captions=tuple(paper.captions), x_span=x, y_span=y,
        key="root drawing", caption="The blade goes to the right, the shaft lies to the left. Lengths in mm.",
        y_figures=False, true_shape=True,
    )  # fmt: skip


def _in_words(text: str) -> str:
    """Keys of the root without their unit and underscores."""
    return re.sub(r"\b[a-z]+(?:_[a-z]+)+", lambda found: re.sub(r"_[mn]$", "", found[0]).replace("_", " "), text)


def _tang(paper: _Paper, root: TangRoot) -> None:
    hole, edge, d = root.hole_radius_m * MM, root.edge_distance_m * MM, root.hole_diameter_m * MM
    w, t = root.width_m * MM, root.thickness_m * MM
    rows = [hole, hole + (root.row_pitch_m or 0.0) * MM][: root.rows]
    end, mouth = hole - edge, max((root.mouth_radius_m or 0.0) * MM, rows[-1] + 1.5 * d)
    below = -w / 2.0 - 0.35 * (w + t) - t / 2.0
    lane = LANE * (w + t)
    blade = mouth + 0.35 * (mouth - end)
    paper.block((end, mouth), (-w / 2.0, w / 2.0))
    paper.block((end, mouth), (below - t / 2.0, below + t / 2.0))
    _neck_beyond(paper, root, mouth, blade, below)
    offsets = root.hole_offsets_m or [root.width_m * ((n + 0.5) / root.bolts - 0.5) for n in range(root.bolts)]
    for x in rows:
        for at in offsets:
            paper.circle(x, at * MM, d)
        for side in (-d / 2.0, d / 2.0):
            paper.line((x + side, below - t / 2.0), (x + side, below + t / 2.0), ink="over", dashed=True)
    top = w / 2.0 + 0.5 * lane
    paper.along("edge_distance_m", end, hole, top)
    paper.along("hole_diameter_m", hole - d / 2.0, hole + d / 2.0, top + lane)
    if root.rows == 2:
        paper.along("row_pitch_m", rows[0], rows[1], top + 2.0 * lane)
    if root.mouth_radius_m is not None:
        reach = (
            (root.grip_length_m or root.mouth_radius_m - root.hole_radius_m) * MM if isinstance(root, GripRoot) else 0
        )
        if reach:
            paper.along("grip_length_m", mouth - reach, mouth, top + 3.0 * lane)
            for sign in (-1.0, 1.0):
                paper.block((mouth - reach, mouth), _span(below + sign * t / 2.0, sign * 0.15 * t), "calm")
        paper.note(f"dashed: mouth_radius_m {mouth:.4g}")
        paper.line((mouth, w / 2.0 + lane / 2.0), (mouth, below - t / 2.0), dashed=True)
    paper.across("width_m", -w / 2.0, w / 2.0, end - 0.05 * (mouth - end))
    paper.across("thickness_m", below - t / 2.0, below + t / 2.0, end - 0.05 * (mouth - end))
    paper.note(f"hole's middle: hole_radius_m {hole:.4g}")
    paper.note(f"bolt_axis {root.bolt_axis}: the bolt lies that way of the blade")
    if len(offsets) > 1 or root.hole_offsets_m:
        told = ", ".join(f"{at * MM:+.4g}" for at in offsets)
        paper.note(f"hole_offsets_m {told} from the tang's middle")


def _span(from_y: float, by: float) -> tuple[float, float]:
    return min(from_y, from_y + by), max(from_y, from_y + by)


def _neck_beyond(paper: _Paper, root: TangRoot, mouth: float, blade: float, below: float) -> None:
    """The blade outside its grip; views turn with the bolt."""
    along_chord, along_thickness = root.width_m, root.thickness_m
    if root.bolt_axis == "chord":
        along_chord, along_thickness = root.thickness_m, root.width_m
    chord, thick = (root.neck_chord_m or along_chord) * MM, (root.neck_thickness_m or along_thickness) * MM
    upper, lower = (chord, thick) if root.bolt_axis == "thickness" else (thick, chord)
    names = ("neck_chord_m", "neck_thickness_m")
    for size, at, name in zip((upper, lower), (0.0, below), names if upper == chord else names[::-1], strict=True):
        paper.block((mouth, blade), (at - size / 2.0, at + size / 2.0), "ink", filled=False)
        paper.across(name, at - size / 2.0, at + size / 2.0, mouth + 0.45 * (blade - mouth))


def _held(paper: _Paper, root: ClampedRoot | BondedRoot) -> None:
    """A root between jaws, or in a socket: chord view above, thickness view below."""
    clamped = isinstance(root, ClampedRoot)
    length = (root.clamped_length_m if isinstance(root, ClampedRoot) else root.bond_length_m) * MM
    chord, thick, mouth = root.neck_chord_m * MM, root.neck_thickness_m * MM, root.mouth_radius_m * MM
    start, blade = mouth - length, mouth + 0.8 * length
    jaw, lane = 0.6 * thick, LANE * (chord + thick)
    below = -chord / 2.0 - 1.2 * (chord + thick) * 0.5 - thick / 2.0
    paper.block((start, blade), (-chord / 2.0, chord / 2.0))
    paper.block((start, blade), (below - thick / 2.0, below + thick / 2.0))
    for sign in (-1.0, 1.0):
        paper.block((start, mouth), _span(below + sign * thick / 2.0, sign * jaw), "calm")
    paper.line((mouth, chord / 2.0 + lane), (mouth, below - thick / 2.0 - jaw), dashed=True)
    paper.along("clamped_length_m" if clamped else "bond_length_m", start, mouth, chord / 2.0 + 0.6 * lane)
    paper.across("neck_chord_m", -chord / 2.0, chord / 2.0, mouth + 0.3 * length)
    paper.across("neck_thickness_m", below - thick / 2.0, below + thick / 2.0, mouth + 0.3 * length)
    paper.note(f"dashed: mouth_radius_m {mouth:.4g}")
    if isinstance(root, ClampedRoot):
        told = "clamp_force_n" if root.clamp_force_n else "bolts × bolt_preload_n"
        force = root.clamp_force_n or (root.bolts or 0) * (root.bolt_preload_n or 0.0)
        middle = (start + mouth) / 2.0
        paper.line((middle, below + thick / 2.0 + jaw + 1.5 * lane), (middle, below + thick / 2.0 + jaw), ink="over")
        paper.line((middle, below - thick / 2.0 - jaw - lane), (middle, below - thick / 2.0 - jaw), ink="over")
        paper.note(f"red: {told} {force:.4g} N")


def _shank(paper: _Paper, root: ShankRoot) -> None:
    d, mouth, length = root.shank_diameter_m * MM, root.mouth_radius_m * MM, root.engaged_length_m * MM
    start, lane = mouth - length, 2.0 * LANE * d
    blade = mouth + length
    paper.block((start, mouth), (-d / 2.0, d / 2.0))
    paper.block((mouth, blade), (-0.8 * d, 0.8 * d), "ink", filled=False)
    for sign in (-1.0, 1.0):
        paper.block((start, mouth), _span(sign * d / 2.0, sign * 0.4 * d), "calm")
    if root.thread_pitch_m is not None:
        pitch = root.thread_pitch_m * MM
        turns = np.arange(start, mouth, pitch)
        for at in turns[:60]:
            paper.line((at, -d / 2.0), (min(at + pitch / 2.0, mouth), d / 2.0), ink="second")
        paper.note(f"slanted: thread_pitch_m {pitch:.4g}")
    paper.along("engaged_length_m", start, mouth, 0.9 * d + 0.6 * lane)
    paper.across("shank_diameter_m", -d / 2.0, d / 2.0, mouth + 0.15 * length)
    paper.note(f"step: mouth_radius_m {mouth:.4g}")


def _write_legend(paper: _Paper, x: tuple[float, float], y: tuple[float, float]) -> None:
    """The keys in a column to the right of the drawing."""
    drawn = [float(curve.x.max()) for curve in paper.curves] + [box.x[1] for box in paper.boxes]
    right = max(drawn) + 0.06 * (x[1] - x[0])
    step = (y[1] - y[0]) / (max(len(paper.legend), 8) + 1.0)
    for number, text in enumerate(paper.legend, start=1):
        paper.captions.append(Caption(right, y[1] - number * step - 0.3 * step, text))


def _spans(paper: _Paper) -> tuple[tuple[float, float], tuple[float, float]]:
    """Both axes, with room for words, in the shape of the paper."""
    xs = np.concatenate([curve.x for curve in paper.curves] + [np.array(box.x) for box in paper.boxes])
    ys = np.concatenate([curve.y for curve in paper.curves] + [np.array(box.y) for box in paper.boxes])
    width, height = 2.1 * (xs.max() - xs.min()), 1.18 * (ys.max() - ys.min())
    width, height = max(width, WIDE * height), max(height, width / WIDE)
    left, middle = xs.min() - 0.04 * width, (ys.max() + ys.min()) / 2.0
    return (float(left), float(left + width)), (float(middle - height / 2.0), float(middle + height / 2.0))
