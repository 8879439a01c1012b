"""What runs teach of a budget's inputs, and which of them may."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag
from scipy.stats import chi2

from fit.budget.inputs import Input, standard_scores
from fit.budget.learned import Learned, symmetric_root, unit_scores
from fit.budget.model import Array, Budget
from fit.errors import NotIdentifiable
from fit.learning.ensemble import standardized, update
from fit.learning.history import IN_COMMON, Earlier, RunTaught
from fit.learning.lesson import BY_THE_RIG, POWER, Lesson
from fit.learning.prior import Prior, prior_of

DRAWS = 20_000  # chance correlations of 1/√n, 0.7 %: nothing beside what a run teaches
DOUBTED = 0.01  # a run the budget would show so rarely does not teach: one good one in a hundred


@dataclass(frozen=True, eq=False)
class Taught:
    """What runs have taught of a budget."""

    budget: Budget
    runs: tuple[RunTaught, ...]  # of now
    learned: Learned
    warnings: tuple[str, ...]
    earlier: Earlier | None
    prior: Prior  # what was known before these runs


def learn(
    budget: Budget,
    lessons: Sequence[Lesson],
    *,
    earlier: Earlier | None = None,
    one_unit: bool = False,
    force: bool = False,
) -> Taught:
    """Update a budget's inputs by measured runs.

    Each run is of another unit unless said otherwise: the inputs of all share what is the
    process's and differ by what is their own. A run that `check` finds at fault, or whose spans
    would show in less than one case of a hundred, does not teach. What would show is said by the
    budget, and by what runs before have taught of it.

    Args:
        budget: that the runs were checked against.
        lessons: one a run.
        earlier: what other runs have taught, of this design or another.
        one_unit: all runs are of the same unit.
        force: runs in doubt teach all the same.

    Returns:
        What was learnt.

    Raises:
        NotIdentifiable: the budget states nothing unsure, or no run may teach.
    """
    prior = prior_of(budget, None if earlier is None else earlier.learned)
    inputs = prior.inputs
    if not inputs:
        raise NotIdentifiable(f"{budget.path}: no input is unsure; there is nothing to learn")
    z = standardized(_scores(inputs, ""))
    process = prior.scores(z)
    predicted = []
    for number, lesson in enumerate(lessons):
        own = _scores(inputs, f" of unit {0 if one_unit else number}")
        scores = unit_scores(inputs, process, own.T)
        factors = np.array([one.factor(z) for one, z in zip(inputs, scores, strict=True)])
        predicted.append(lesson.predicted(inputs, factors))
    by = "the budget" if earlier is None else "the budget as learnt"
    runs = [_judged(one, h, force=force, by=by) for one, h in zip(lessons, predicted, strict=True)]
    kept = [i for i, run in enumerate(runs) if run.taught]
    if not kept:
        why = "; ".join(f"{run.run}: {run.why_not}" for run in runs)
        raise NotIdentifiable(f"nothing is learnt: {why}; --force teaches all the same")
    after = update(
        z,
        np.hstack([predicted[i] for i in kept]),
        np.concatenate([lessons[i].ln_measured for i in kept]),
        joint_covariance([lessons[i] for i in kept]),
    )
    before = () if earlier is None else (IN_COMMON, *earlier.warnings)
    warnings = dict.fromkeys((*before, *(said for i in kept for said in lessons[i].warnings)))
    return Taught(budget, tuple(runs), prior.after(after), tuple(warnings), earlier, prior)


def joint_covariance(lessons: Sequence[Lesson]) -> Array:
    """Covariance of the spans of several runs, one after another, in logarithms.

    Of the rig's own errors, power and match of the channels, no run says anything that another
    does not: they are common to all, each run feeling them by the root of its covariance.

    Args:
        lessons: one a run.

    Returns:
        Covariance (m, m) of all their spans.
    """
    whole = block_diag(*(lesson.own_covariance for lesson in lessons))
    alike = len({lesson.ends for lesson in lessons}) == 1
    for name in BY_THE_RIG:
        stated = [
            one.rig_covariance.get(name, np.zeros_like(one.own_covariance)) for one in lessons
        ]
        roots = [symmetric_root(c) for c in stated]
        if name == POWER and _is_one(stated):
            feels = np.concatenate([np.sqrt(np.diag(c)) for c in stated])[:, np.newaxis]
        elif alike:
            feels = np.vstack(roots)
        else:
            feels = block_diag(*roots)  # whose error is whose is not known: to each run its own
        whole = whole + feels @ feels.T
    return np.asarray(whole)


def _is_one(stated: Sequence[Array]) -> bool:
    """Whether one error makes all of each covariance, as that of one power does."""
    roots = [np.sqrt(np.diag(c)) for c in stated]
    return all(np.allclose(np.outer(u, u), c) for u, c in zip(roots, stated, strict=True))


def _scores(inputs: Sequence[Input], of: str) -> Array:
    """Independent standard scores (DRAWS, d)."""
    return np.array([standard_scores(one.stream + of, DRAWS) for one in inputs]).T


def _judged(lesson: Lesson, predicted: Array, *, force: bool, by: str) -> RunTaught:
    """Whether a run may teach: prior-predictive χ² of its spans, and what `check` says of it."""
    apart = lesson.ln_measured - predicted.mean(axis=0)
    covariance = np.atleast_2d(np.cov(predicted, rowvar=False)) + lesson.covariance
    found = float(apart @ np.linalg.solve(covariance, apart))
    p = float(chi2.sf(found, len(apart)))
    why = lesson.doubt
    if not why and p < DOUBTED:
        worst = int(np.argmax(np.abs(apart) / np.sqrt(np.diag(covariance))))
        a, b = lesson.ends[worst]
        why = f"{by} would show such spans in {100 * p:.2g} % of units, {a} to {b} least"
    return RunTaught(
        run=lesson.run,
        spans=tuple(f"{a} - {b}" for a, b in lesson.ends),
        chi_square=found,
        p=p,
        taught=force or not why,
        why_not=why,
    )
