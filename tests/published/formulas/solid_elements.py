"""Finite elements of a flat bent over its thickness, independent of the program: scikit-fem, solids of second order.

The mesh is one side of the half plate of ``plane_elements``, drawn out from the middle of the thickness to its face.
"""

from __future__ import annotations

import numpy as np
from plane_elements import POISSON, Plate, mesh_of, on_hole
from skfem import Basis, ElementHex2, ElementVector, FacetBasis, LinearForm, MeshHex, asm, condense, solve
from skfem.helpers import sym_grad, trace
from skfem.models.elasticity import lame_parameters, linear_elasticity
from skfem.refdom import RefHex

CORNER = {(0, 0): 0, (1, 0): 1, (1, 1): 2, (0, 1): 3}  # of a quadrilateral, by its own coordinates


def flat_bent_over_thickness(hole_over_width: float, hole_over_thickness: float, around: int, rings: int) -> float:
    """Peak beside the hole over 6 M / (w t²), the stress without a hole; width 1, moment along the plate."""
    plate = Plate(0.5, 0.5, 2.0, hole_over_width / 2.0)
    half = hole_over_width / hole_over_thickness / 2.0
    mesh = _drawn_out(plate, half, around, rings)
    basis = Basis(mesh, ElementVector(ElementHex2()), intorder=4)
    stretch, shear = lame_parameters(1.0, POISSON)
    end = FacetBasis(mesh, basis.elem, facets=mesh.facets_satisfying(lambda x: x[1] > plate.height - 1e-9))
    pull = asm(LinearForm(lambda v, w: v[1] * w.x[2] / half), end)
    moved = solve(*condense(asm(linear_elasticity(stretch, shear), basis), pull, D=_held(basis, plate)))
    strain = sym_grad(basis.interpolate(moved))
    scalar = basis.with_element(ElementHex2())
    along = scalar.project(stretch * trace(strain) + 2.0 * shear * strain[1, 1])
    return float(along[on_hole(plate)(scalar.doflocs)].max())


def _drawn_out(plate: Plate, half: float, around: int, rings: int) -> MeshHex:
    """A quarter of the plate in layers, thinner towards the face."""
    flat = mesh_of(plate, around, rings)
    flat = flat.restrict(np.flatnonzero(flat.p[0][flat.t].mean(axis=0) > 0.0))
    heights = half * np.array([0.0, 0.5, 0.8, 1.0])
    count = flat.p.shape[1]
    points = np.hstack([np.vstack([flat.p, np.full(count, height)]) for height in heights])
    cells = []
    for layer in range(heights.size - 1):
        cells.append(np.vstack([flat.t[CORNER[a, b]] + (layer + c) * count for a, b, c in RefHex.p.T.astype(int)]))
    return MeshHex(points, np.hstack(cells))


def _held(basis: Basis, plate: Plate) -> np.ndarray:
    """Both planes of symmetry, the middle of the thickness, which stays in its plane's normals, and one corner."""
    axis = np.zeros(basis.N, dtype=int)
    for table in (basis.nodal_dofs, basis.facet_dofs, basis.edge_dofs, basis.interior_dofs):
        for row, unknowns in enumerate(table):
            axis[unknowns] = row
    x, y, z = basis.doflocs
    middle, corner = z < 1e-9, (x > plate.right - 1e-9) & (y > plate.height - 1e-9)
    held = (
        ((axis == 1) & (y < 1e-9))
        | ((axis == 0) & (np.abs(x) < 1e-9))
        | (middle & (axis < 2))
        | (middle & corner & (axis == 2))
    )
    return np.flatnonzero(held)
