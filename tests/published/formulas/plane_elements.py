"""Finite elements of joints, independent of the program: scikit-fem, plane stress, second order.

A hole stands on the lower edge of a rectangle, which is a plane of symmetry; the mesh runs from the half circle to the
other three sides. Lengths and forces without unit: thickness 1 and modulus 1 unless said.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from skfem import (
    Basis,
    ElementQuad2,
    ElementVector,
    FacetBasis,
    LinearForm,
    MeshQuad,
    asm,
    condense,
    solve,
)
from skfem.helpers import sym_grad
from skfem.models.elasticity import lame_parameters, linear_elasticity

POISSON = 0.3
GRADING = 1.12  # each ring of elements is that much wider than the one inside it


@dataclass(frozen=True)
class Plate:
    """A half plate: ``left`` and ``right`` of the hole's centre on the lower edge, ``height`` above it."""

    left: float
    right: float
    height: float
    radius: float


def mesh_of(plate: Plate, around: int, rings: int) -> MeshQuad:
    """Quadrilaterals from the half circle to the rectangle: ``around`` of them along the circle, ``rings`` outwards."""
    turn, outer = _outline(plate, around)
    inner = plate.radius * np.vstack([np.cos(turn), np.sin(turn)])
    steps = GRADING ** np.arange(rings)
    share = np.concatenate([[0.0], np.cumsum(steps) / steps.sum()])
    points = inner[:, :, None] + (outer - inner)[:, :, None] * share[None, None, :]
    number = np.arange(turn.size * (rings + 1)).reshape(turn.size, rings + 1)
    corners = [number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1]]
    return MeshQuad(points.reshape(2, -1), np.vstack([corner.ravel() for corner in corners]))


def _outline(plate: Plate, around: int) -> tuple[np.ndarray, np.ndarray]:
    """Angles along the circle and the points of the rectangle that belong to them; its corners are among them."""
    corners = [np.arctan2(plate.height, plate.right), np.arctan2(plate.height, -plate.left)]
    ends = [0.0, *corners, np.pi]
    parts = []
    for start, end in pairwise(ends):
        count = max(4, round(around * (end - start) / np.pi))
        parts.append(np.linspace(start, end, count, endpoint=False))
    turn = np.append(np.concatenate(parts), np.pi)
    way = np.vstack([np.cos(turn), np.sin(turn)])
    with np.errstate(divide="ignore"):
        reach = np.minimum(
            np.where(way[0] > 0, plate.right / way[0], np.inf), np.where(way[0] < 0, -plate.left / way[0], np.inf)
        )
        reach = np.minimum(reach, np.where(way[1] > 1e-12, plate.height / way[1], np.inf))
    return turn, reach * way


class Solved:
    """Displacements of a plate in plane stress, and what is read from them."""

    def __init__(
        self,
        plate: Plate,
        load: Callable[[np.ndarray], np.ndarray],
        loaded: Callable[[np.ndarray], np.ndarray],
        held: dict[str, Callable[[np.ndarray], np.ndarray]],
        around: int = 64,
        rings: int = 28,
    ) -> None:
        """``load`` gives the traction (2, ...) where ``loaded`` is true; ``held`` fixes "u^1", "u^2" where true."""
        self.plate, mesh = plate, mesh_of(plate, around, rings)
        self.basis = Basis(mesh, ElementVector(ElementQuad2()))
        stretch, shear = lame_parameters(1.0, POISSON)
        self.stretch, self.shear = 2.0 * stretch * shear / (stretch + 2.0 * shear), shear  # plane stress
        sides = FacetBasis(mesh, self.basis.elem, facets=mesh.facets_satisfying(loaded, boundaries_only=True))
        pull = asm(LinearForm(lambda v, w: np.einsum("i...,i...", load(w.x), v)), sides)
        fixed = np.concatenate([self._dofs(axis, where) for axis, where in held.items()])
        stiffness = asm(linear_elasticity(self.stretch, self.shear), self.basis)
        self.moved = solve(*condense(stiffness, pull, D=np.unique(fixed)))

    def _dofs(self, axis: str, where: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        number = 0 if axis == "u^1" else 1
        return np.flatnonzero(where(self.basis.doflocs) & (_components(self.basis) == number))

    def stress(self) -> tuple[Basis, list[np.ndarray]]:
        """(scalar basis, nodal values of the stresses xx, yy, xy), smoothed over elements."""
        scalar = self.basis.with_element(ElementQuad2())
        strain = sym_grad(self.basis.interpolate(self.moved))
        trace = strain[0, 0] + strain[1, 1]
        parts = [
            self.stretch * trace + 2.0 * self.shear * strain[0, 0],
            self.stretch * trace + 2.0 * self.shear * strain[1, 1],
            2.0 * self.shear * strain[0, 1],
        ]
        return scalar, [scalar.project(part) for part in parts]

    @property
    def peak(self) -> Callable[[int], float]:
        """Greatest stress of a part on the hole's rim."""
        return lambda part: self.greatest(part, on_hole(self.plate))

    def greatest(self, part: int, where: Callable[[np.ndarray], np.ndarray]) -> float:
        """Greatest stress of a part (0: xx, 1: yy) at the nodes where ``where`` is true."""
        scalar, parts = self.stress()
        return float(parts[part][where(scalar.doflocs)].max())


def on_hole(plate: Plate) -> Callable[[np.ndarray], np.ndarray]:
    """Whether a point lies on the circle."""
    return lambda x: np.abs(np.hypot(x[0], x[1]) - plate.radius) < 0.01 * plate.radius


def pin_loaded(hole_over_width: float, end_over_hole: float, around: int = 64, rings: int = 28) -> Solved:
    """A plate of width 1 pulled to the right by a force of 1, a close-fitting pin holding it on the hole's left half.

    The pin is a frictionless pressure that falls as the cosine; the lower edge is the middle of the plate.
    """
    d = hole_over_width
    plate = Plate(end_over_hole * d, 3.0, 0.5, d / 2.0)
    top = 4.0 / (np.pi * d)  # of the pressure, for a force of 1 on the whole hole

    def pressure(x: np.ndarray) -> np.ndarray:
        size = top * np.maximum(-x[0] / plate.radius, 0.0)
        return size * x[:2] / plate.radius

    return Solved(
        plate,
        pressure,
        lambda x: np.hypot(x[0], x[1]) < 1.02 * plate.radius,
        {"u^2": lambda x: x[1] < 1e-9, "u^1": lambda x: x[0] > 3.0 - 1e-9},
        around,
        rings,
    )


def bent_in_plane(width: float, hole: float, at: float, around: int = 64, rings: int = 28) -> Solved:
    """A strip bent in its plane by a moment of 1, a hole ``at`` each side of its middle (0: one hole in the middle).

    The lower edge is the plane through the holes; along it lies the width.
    """
    half = width / 2.0
    plate = Plate(half if at == 0.0 else at, half - at, 3.0 * width, hole / 2.0)
    middle, inertia = -at, width**3 / 12.0

    def traction(x: np.ndarray) -> np.ndarray:
        return np.array([0.0 * x[0], (x[0] - middle) / inertia])

    held = {"u^2": lambda x: (x[1] < 1e-9) if at == 0.0 else (x[1] < 1e-9) | (x[0] < -plate.left + 1e-9)}
    # Two holes: the middle of the strip is a line of antisymmetry. One node keeps the plate from sliding sideways.
    held["u^1"] = lambda x: (x[1] > plate.height - 1e-9) & (np.abs(x[0] - plate.right) < 1e-9)
    return Solved(plate, traction, lambda x: x[1] > plate.height - 1e-9, held, around, rings)


def open_hole(hole_over_width: float, around: int = 64, rings: int = 28) -> Solved:
    """A plate of width 1 with an open hole in its middle, pulled by a stress of 1: checks mesh and reading."""
    plate = Plate(0.5, 0.5, 3.0, hole_over_width / 2.0)
    return Solved(
        plate,
        lambda x: np.array([0.0 * x[0], 1.0 + 0.0 * x[0]]),
        lambda x: x[1] > plate.height - 1e-9,
        {"u^2": lambda x: x[1] < 1e-9, "u^1": lambda x: (x[1] > plate.height - 1e-9) & (x[0] > plate.right - 1e-9)},
        around,
        rings,
    )


def _components(basis: Basis) -> np.ndarray:
    """Which axis each unknown of a vector basis belongs to."""
    component = np.zeros(basis.N, dtype=int)
    for table in (basis.nodal_dofs, basis.facet_dofs, basis.interior_dofs):
        for row, unknowns in enumerate(table):
            component[unknowns] = row
    return component
