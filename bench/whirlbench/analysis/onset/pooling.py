"""One beginning from all signals: each began with the first, began later, or has not moved, weighed against each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Prior shares of a signal: as the first began, later by itself, not at all. Our choices.
TOGETHER, LATER, UNMOVED = 0.48, 0.02, 0.5


@dataclass(frozen=True)
class Pooled:
    """Log posterior ``nats`` ``(beginnings,)`` of the first beginning, and per signal how likely it takes part.

    ``together``: the share of belief that the signal began with the first; ``moved``: that it moved at all by then.
    """

    nats: np.ndarray
    together: np.ndarray
    moved: np.ndarray


def pooled(marginals: list[np.ndarray], beginnings: int) -> Pooled:
    """Pools signals' log likelihood ratios against no change, each over the same beginnings, at least ``beginnings``.

    A signal may be given more beginnings than the first ones that are pooled: it may have begun later than the first
    caution. At least one signal began at the pooled beginning; which one need not be known.
    """
    with_first = np.array([np.log(TOGETHER) + nats[:beginnings] for nats in marginals])
    later = np.array([np.log(LATER) + _later_mean(nats)[:beginnings] for nats in marginals])
    still = np.full_like(later, np.log(UNMOVED))
    apart = np.logaddexp(later, still)
    each = np.logaddexp(with_first, apart)
    none = apart.sum(axis=0)
    every = each.sum(axis=0)
    nats = every + np.log1p(-np.exp(np.minimum(none - every, -1e-12)))
    weight = np.exp(nats - nats.max())
    weight /= weight.sum()
    return Pooled(nats, np.exp(with_first - each) @ weight, 1.0 - np.exp(still - each) @ weight)


def _later_mean(nats: np.ndarray) -> np.ndarray:
    """Log of the mean likelihood over every beginning from each on."""
    top = nats.max()
    from_here = np.cumsum(np.exp(nats - top)[::-1])[::-1] / np.arange(len(nats), 0, -1)
    result: np.ndarray = top + np.log(np.maximum(from_here, 1e-300))
    return result
