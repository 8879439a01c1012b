"""Whether a record is reciprocal: a watt at a warms b as a watt at b warms a.

A fitted network is so by construction, and bends to a record that is not. So it is fitted once
more with a number γ for a pair of sources that breaks it: the readings of a too high by γ, those of
b too low,

    P_a = P_a,read / (1 + γ),  P_b = P_b,read / (1 − γ),    Z_ab / Z_ba read (1 + γ) / (1 − γ).

All else is free to follow, without the budget: γ over its standard uncertainty is then as sharp as
the record allows. Where a power or a thermocouple reads wrong it is not zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np

from fit.identification.ladder.search import Prior, covariance_of, minimise
from fit.identification.tree.faults import Fault, FaultyModel
from fit.identification.tree.fitted import FittedTree

FREE = 1.0  # standard deviation of γ before the run: a power anything from none to twice. Ours


def reciprocity(
    fitted: FittedTree,
    entering: tuple[str, ...],
    ratio_u: Mapping[tuple[int, int], float] | None = None,
) -> dict[tuple[int, int], float]:
    """By how many standard uncertainties Z_ab and Z_ba differ, for every pair of sources.

    Args:
        fitted: the network.
        entering: the first measured node on each source's way; a pair is left out where that is
            not above the reference, or is one and the same.
        ratio_u: of a pair, what the stated accuracies make Z_ab / Z_ba unsure by (relative).

    Returns:
        z of each pair, positive where a watt at b seems to warm a more than the reverse.
    """
    above = fitted.model.record.nodes
    z = {}
    for a, b in combinations(range(len(entering)), 2):
        if {entering[a], entering[b]} <= set(above) and entering[a] != entering[b]:
            gamma, u = asymmetry(fitted, a, b)
            z[a, b] = gamma / float(np.hypot(u, 0.5 * (ratio_u or {}).get((a, b), 0.0)))
    return z


def asymmetry(fitted: FittedTree, a: int, b: int) -> tuple[float, float]:
    """γ of a pair of sources, and its standard uncertainty by the readings.

    Args:
        fitted: the network.
        a: a source.
        b: another.
    """
    sound = fitted.model.for_search
    at_rest = np.zeros(len(sound.record.rise_K))  # no bead is at fault
    model = FaultyModel(sound, Fault(sources={a: 1.0, b: -1.0}), at_rest, sound.settings)
    known = Prior(np.append(fitted.prior.mean, 0.0), np.append(fitted.prior.sd, FREE))
    found = minimise(model, np.append(fitted.g, 0.0), known)
    variance = covariance_of(sound.record, found, known.sd).total[len(fitted.g), len(fitted.g)]
    return float(found.theta[-1]), float(np.sqrt(variance))
