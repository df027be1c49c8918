"""How far apart two colours are, for every eye: contrast, and distance as colour-blind eyes see them."""

from __future__ import annotations

import numpy as np

# Machado, Oliveira, Fernandes: A Physiologically-based Model for Simulation of Color Vision Deficiency, IEEE TVCG 2009,
# doi 10.1109/TVCG.2009.113: matrices of severity 1.0, on linear RGB.
EYES = {
    "usual": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
# IEC 61966-2-1 (sRGB, D65), and CIE 15 for L*a*b*.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = np.array([0.9505, 1.0, 1.0890])


def linear(colour: str) -> np.ndarray:
    """Linear RGB of ``#rrggbb``, ``(3,)``."""
    parts = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255.0
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2, 1 to 21."""
    dark, light = sorted(float(TO_XYZ[1] @ linear(colour)) for colour in (one, other))
    return (light + 0.05) / (dark + 0.05)


def _lab(rgb: np.ndarray) -> np.ndarray:
    share = TO_XYZ @ np.clip(rgb, 0.0, 1.0) / WHITE
    x, y, z = np.where(share > 216 / 24389, np.cbrt(share), (24389 / 27 * share + 16) / 116)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def distance(one: str, other: str, eye: str) -> float:
    """Distance in L*a*b* (CIE 1976) of two colours as ``eye`` sees them."""
    return float(np.linalg.norm(_lab(EYES[eye] @ linear(one)) - _lab(EYES[eye] @ linear(other))))
