"""Bending of a blade by thrust and torque, with and without the relief that the centrifugal pull gives.

Thrust is spread as radius squared, which puts its centre at 0.75 radius of a blade that starts at the shaft; the
0.75 is common practice, no source. Torque is spread so that its force grows with radius.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

THRUST_POWER, TORQUE_POWER = 2, 1
ELEMENTS = 48
GAUSS_NODE, GAUSS_WEIGHT = np.polynomial.legendre.leggauss(4)


@dataclass(frozen=True)
class Bending:
    """Moment along a blade: ``radius_m`` and ``moment_n_m`` are ``(n,)``, from root to tip."""

    radius_m: np.ndarray
    moment_n_m: np.ndarray


@dataclass(frozen=True)
class Beam:
    """A blade as a beam clamped at its first station: arrays ``(n,)``, straight lines between stations."""

    radius_m: np.ndarray
    stiffness_n_m2: np.ndarray  # modulus times flap inertia
    pull_n: np.ndarray  # centrifugal pull at each station


def moment_n_m(force_n: float, power: int, inner_m: float, tip_m: float, at_radius_m: np.ndarray) -> np.ndarray:
    """Bending moment in N m at each radius of a force spread as radius^power between ``inner_m`` and ``tip_m``.

    No relief. Radii inside ``inner_m`` see the whole force at its centre; beyond the tip the moment is 0.
    Source: moment of a distributed load, integrated in closed form.
    """
    at = np.asarray(at_radius_m, dtype=float)
    low = np.clip(at, inner_m, tip_m)

    def integral(extra: int) -> np.ndarray:
        exponent = power + extra + 1
        result: np.ndarray = (tip_m**exponent - low**exponent) / exponent
        return result

    total = (tip_m ** (power + 1) - inner_m ** (power + 1)) / (power + 1)
    return force_n * np.where(at < tip_m, integral(1) - at * integral(0), 0.0) / total


def torque_force_n(torque_n_m: float, inner_m: float, tip_m: float) -> float:
    """In-plane force in N of one blade whose moment about the shaft is ``torque_n_m``, spread as the radius."""
    return torque_n_m * (tip_m**2 - inner_m**2) / 2.0 / ((tip_m**3 - inner_m**3) / 3.0)


def relieved(beam: Beam, force_n: float, power: int = THRUST_POWER, elements: int = ELEMENTS) -> Bending:
    """Bending moment along a clamped blade that the pull straightens while the force bends it.

    Solves (E I w'')'' - (N w')' = q for the out-of-plane shape w by ``elements`` cubic beam elements with the usual
    tension stiffness, and reads the moments from the element forces. A stiff blade or a slow one tends to
    ``moment_n_m``. A modulus taken too low promises too much relief: use the upper end of what is published.
    Source: rotating-beam equation of any rotor-dynamics text, from memory; elements from any finite-element text.
    """
    nodes = np.linspace(beam.radius_m[0], beam.radius_m[-1], elements + 1)
    lengths, middles = np.diff(nodes), (nodes[:-1] + nodes[1:]) / 2.0
    stiffness = np.interp(middles, beam.radius_m, beam.stiffness_n_m2)
    tension = np.interp(middles, beam.radius_m, beam.pull_n)
    matrices = _element_stiffness(lengths, stiffness, tension)
    loads = _element_loads(nodes, force_n, power)
    shape = _solve(matrices, loads, elements)
    ends = shape[2 * np.arange(elements)[:, None] + np.arange(4)]
    forces = np.einsum("eij,ej->ei", matrices, ends) - loads
    return Bending(nodes, np.append(np.abs(forces[:, 1]), 0.0))


def _element_stiffness(length: np.ndarray, stiffness: np.ndarray, tension: np.ndarray) -> np.ndarray:
    """Stiffness ``(elements, 4, 4)`` of cubic beam elements under tension; freedoms are shift, slope, shift, slope."""
    zero = np.zeros_like(length)
    a, b, c, d = 12.0 + zero, 6.0 * length, 4.0 * length**2, 2.0 * length**2
    bending = np.array([[a, b, -a, b], [b, c, -b, d], [-a, -b, a, -b], [b, d, -b, c]])
    e, f, g, h = 36.0 + zero, 3.0 * length, 4.0 * length**2, -(length**2)
    pulling = np.array([[e, f, -e, f], [f, g, -f, h], [-e, -f, e, -f], [f, h, -f, g]])
    whole = bending * (stiffness / length**3) + pulling * (tension / (30.0 * length))
    return np.moveaxis(whole, -1, 0)


def _element_loads(nodes: np.ndarray, force_n: float, power: int) -> np.ndarray:
    """Loads ``(elements, 4)`` of a force spread as radius^power, by Gauss quadrature of the cubic shapes."""
    x, length = (GAUSS_NODE + 1.0) / 2.0, np.diff(nodes)[:, None]
    total = (nodes[-1] ** (power + 1) - nodes[0] ** (power + 1)) / (power + 1)
    load = force_n * (nodes[:-1, None] + x * length) ** power / total * length * GAUSS_WEIGHT / 2.0
    shapes = (1 - 3 * x**2 + 2 * x**3, x - 2 * x**2 + x**3, 3 * x**2 - 2 * x**3, x**3 - x**2)
    scale = (1.0, length[:, 0], 1.0, length[:, 0])
    return np.stack([(load @ shape) * size for shape, size in zip(shapes, scale, strict=True)], axis=1)


def _solve(matrices: np.ndarray, loads: np.ndarray, elements: int) -> np.ndarray:
    """Shifts and slopes of all nodes, the first node clamped."""
    size = 2 * (elements + 1)
    freedom = 2 * np.arange(elements)[:, None] + np.arange(4)
    matrix, load = np.zeros((size, size)), np.zeros(size)
    np.add.at(matrix, (freedom[:, :, None], freedom[:, None, :]), matrices)
    np.add.at(load, freedom, loads)
    shape = np.zeros(size)
    shape[2:] = np.linalg.solve(matrix[2:, 2:], load[2:])
    return shape
