"""The factors of a root against finite elements: the table of ``bench/docs/joint_elements.md``.

Run ``python tests/benchmarks/strength/joint_elements.py``; ``tests/published/strength/test_finite_elements.py`` is the
short form.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parents[2] / "published" / "formulas"))

from plane_elements import bent_in_plane, open_hole, pin_loaded
from solid_elements import flat_bent_over_thickness

from whirlbench.physics.joints import PinLoads, edge_factor, flat_bending_kt, hole_peak_pa
from whirlbench.physics.root_stress import Tang, open_hole_kt, pin_loaded_kt

FINE = (64, 28)
SOLID = (16, 10)
LONG_END = 6.0


def rows() -> Iterator[tuple[str, float, float]]:
    """(what, the program's figure, that of the elements)."""
    for share in (0.2, 1 / 3, 0.5):
        peak = open_hole(share, *FINE).peak(1) * (1 - share)
        yield f"open hole, d/w {share:.3f}: peak over net section", float(open_hole_kt(share)), peak
    long_end = {}
    for share in (0.2, 0.25, 1 / 3, 0.4, 0.5):
        long_end[share] = pin_loaded(share, LONG_END, *FINE).peak(0)
        peak = long_end[share] * (1 - share)
        yield f"pin, d/w {share:.3f}, long end: peak over net section", float(pin_loaded_kt(share)), peak
    for share, end in ((1 / 3, 1.2), (1 / 3, 1.5), (1 / 3, 2.0), (0.25, 1.5), (0.25, 2.0), (0.5, 1.5)):
        ratio = pin_loaded(share, end, *FINE).peak(0) / long_end[share]
        yield (
            f"pin, d/w {share:.3f}, e/d {end:g}: peak over that of a long end",
            float(edge_factor(share, 1 / end)),
            ratio,
        )
    for width, hole, at in ((1.0, 0.2, 0.0), (1.0, 0.4, 0.0), (24.0, 5.0, 6.0), (24.0, 4.0, 7.0)):
        places = (0.0,) if at == 0.0 else (-at, at)
        tang = Tang(width, 1.0, hole, 2.0 * hole, len(places), places)
        peak = bent_in_plane(width, hole, at, *FINE).peak(1) * width**2 / 6.0
        ours = float(hole_peak_pa(tang, PinLoads(0.0, 0.0, 1.0), 0.0).about_bolt_pa) * width**2 / 6.0
        yield f"bent in its plane, w {width:g}, hole {hole:g} at {at:g}: peak over 6 M / (t w²)", ours, peak
    for share, over_thickness in ((0.2, 0.25),):
        elements = flat_bent_over_thickness(share, over_thickness, *SOLID)
        ours = float(flat_bending_kt(over_thickness, share)) / (1.0 - share)
        what = f"bent over its thickness, d/w {share:g}, d/t {over_thickness:g}: peak over 6 M / (w t²)"
        yield what, ours, elements


def main() -> None:
    """Prints the table."""
    print("| what | program | elements | program over elements |\n|---|---|---|---|")
    for what, ours, elements in rows():
        print(f"| {what} | {ours:.3f} | {elements:.3f} | {ours / elements:.3f} |", flush=True)


if __name__ == "__main__":
    main()
