"""What to do after a rehearsal: the same job with one's own propeller, in the order in which it is safe."""

from __future__ import annotations

NEXT_STEPS = (
    "copy the example rig, put your own numbers in, and run `whirlbench check RIG`: nothing turns before it says fit",
    "propeller off, isolating switch open: wire the board, then `whirlbench calibrate` each channel",
    "propeller off: `whirlbench trial --rig RIG --port PORT`, and see every trip come before you rely on one",
    "blades on, guard closed, nobody in the plane of rotation: `whirlbench spin` the proof plan that the check wrote",
    "then step tests and `whirlbench tune`, the pitch map and `whirlbench limits`; set the end points motor unplugged",
    "after each run look at every blade, root and bolt; `whirlbench report RECORDING` is the page to keep or hand on",
)
