"""How well `check` finds what is wrong: 300 simulated rigs with one fault each and 100 sound ones.

    python -m tests.benchmarks.faults [--faulty 300] [--sound 100] [--drawn 1000]
                                      [--first-seed 0] [--jobs 2]

Every rig is simulated, its record identified from the readings alone, and held against its budget
(`faulty_rigs.py` says how rigs are drawn). Printed: faults found, false alarms, lead causes, and
the reliability of the stated probabilities: of these rigs, and of `--drawn` further ones that have
each kind of trouble, or none, and each size as often as the prior of
`fit.assessment.hypotheses`. Base rates are then those that a probability was worked out for, so
that it can be right.
"""

from __future__ import annotations

import argparse
import os
import random
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np
from scipy.stats import binomtest

from fit.assessment.conformity import hold
from fit.assessment.decision import CONFORMING, NON_CONFORMING
from fit.assessment.diagnosis import PRIOR_TWO_AT_ONCE
from fit.assessment.hypotheses import PRIOR, PRIOR_UNEXPLAINED
from fit.measurement.spans import measure
from fit.records.run import Array
from tests.benchmarks.faulty_rigs import CAUSE, FAULTS, random_rig

CLEARLY_OVER = 1.2  # times the limit
EDGES = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0)
LEAST_FINDINGS = 20  # of a line of the reliability table: bins with fewer are joined


@dataclass(frozen=True)
class Trial:
    """One rig and what check said of it."""

    seed: int
    fault: str
    cause: tuple[str, str] | None
    size: float
    over_limit: float
    decision: str
    lead: tuple[str, str] | None
    stated: tuple[tuple[float, bool], ...]  # probability of each finding, and whether it was right
    as_in_prior: bool = False
    capacities_drawn: bool = False  # the budget has them from geometry

    @property
    def flagged(self) -> bool:
        return self.decision == NON_CONFORMING or self.lead is not None


def trial(seed: int, fault: str, as_in_prior: bool = False) -> Trial:
    """Draw, record, identify and check one rig."""
    rig = random_rig(seed, fault, as_in_prior=as_in_prior)
    verdict = hold(measure(rig.run), rig.prediction)
    findings = [((f.kind, f.where), f.probability, f.lead) for f in verdict.findings]
    return Trial(
        seed=seed,
        fault=fault,
        cause=rig.cause,
        size=rig.size,
        over_limit=rig.over_limit,
        decision=verdict.decision,
        lead=next((cause for cause, _, lead in findings if lead), None),
        stated=tuple((p, cause == rig.cause) for cause, p, _ in findings),
        as_in_prior=as_in_prior,
        capacities_drawn=rig.prediction.budget.stages[-1].C_u_J_per_K is not None,
    )


def run(faulty: int, sound: int, drawn: int, first_seed: int, jobs: int) -> list[Trial]:
    """Trials of every fault in turn, and of sound rigs; those done so far when interrupted."""
    plan = [(first_seed + i, FAULTS[i % len(FAULTS)], False) for i in range(faulty)]
    plan += [(first_seed + faulty + i, "none", False) for i in range(sound)]
    done_at = first_seed + faulty + sound
    plan += [(done_at + i, fault, True) for i, fault in enumerate(_as_in_the_prior(drawn))]
    random.Random(0).shuffle(plan)
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
    done: list[Trial] = []
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        try:
            for future in as_completed([pool.submit(trial, *one) for one in plan]):
                done.append(future.result())
        except KeyboardInterrupt:
            pool.shutdown(wait=False, cancel_futures=True)
    return sorted(done, key=lambda one: one.seed)


def _as_in_the_prior(count: int) -> list[str]:
    """Faults and sound rigs in the proportions of the prior."""
    odds = dict.fromkeys((*FAULTS, "none"), 0.0)
    for fault in FAULTS:
        kind = "sensor-placement" if fault == "thermocouple" else CAUSE[fault][0]
        odds[fault] = PRIOR[kind] / (2 if fault in ("pad", "joint") else 1)
    odds["none"] = 1 - sum(PRIOR.values()) - PRIOR_TWO_AT_ONCE - PRIOR_UNEXPLAINED
    return random.Random(1).choices(list(odds), list(odds.values()), k=count)


def report(trials: list[Trial]) -> None:
    """Print what was found, what was not, and how far probabilities can be trusted."""
    faulty = [t for t in trials if t.fault != "none" and not t.as_in_prior]
    sound = [t for t in trials if t.fault == "none" and not t.as_in_prior]
    over = [t for t in faulty if t.over_limit >= CLEARLY_OVER and t.fault not in ("thermocouple",)]
    _share(
        "faults of >= 1.2 x limit found non-conforming",
        over,
        lambda t: t.decision == NON_CONFORMING,
    )
    _share("sound rigs flagged", sound, lambda t: t.flagged)
    _share("sound rigs not conforming", sound, lambda t: t.decision != CONFORMING)
    decided = [t for t in faulty if t.lead]
    _share("lead cause right, of decided cases", decided, lambda t: t.lead == t.cause)
    loose = [t for t in faulty if t.fault == "thermocouple"]
    _share("loose thermocouples called a poor contact", loose, _called_contact)
    print("\nfault          n  flagged  lead given  right  taken for")
    for fault in FAULTS:
        these = [t for t in faulty if t.fault == fault]
        leads = [t for t in these if t.lead]
        wrong = Counter("{} {}".format(*t.lead) for t in leads if t.lead != t.cause and t.lead)
        right = sum(t.lead == t.cause for t in leads)
        flagged = sum(t.flagged for t in these)
        counts = f"{len(these):3}  {flagged:7}  {len(leads):10}  {right:5}"
        print(f"{fault:12} {counts}  {dict(wrong) or ''}")
    power = [t for t in faulty if t.fault == "power"]
    for drawn, what in ((True, "from geometry"), (False, "a guess")):
        these = [t for t in power if t.capacities_drawn == drawn]
        _share(f"power errors named, heat capacities {what}", these, lambda t: t.lead == t.cause)
    _reliability("faults of the sizes above", [t for t in trials if not t.as_in_prior])
    _reliability("kinds and sizes as in the prior", [t for t in trials if t.as_in_prior])
    for t in trials:
        if t.as_in_prior:
            continue
        if (t.lead is not None and t.lead != t.cause) or (t.fault == "none" and t.flagged):
            print(
                f"  seed {t.seed}: {t.fault} {t.size:+.2f} {t.cause}: {t.decision}, lead {t.lead}"
            )


def _reliability(what: str, trials: list[Trial]) -> None:
    """Stated probability against how often it was right, with its 95 % interval (Clopper-Pearson).

    A mean stated outside the interval is marked: one line in twenty, by chance alone.
    """
    print(f"\n{what}\nstated probability  findings  mean stated  right  95 % interval of right")
    stated = np.array([pair for t in trials for pair in t.stated], dtype=float).reshape(-1, 2)
    for low, high in _filled(stated[:, 0]):
        chosen = (stated[:, 0] >= low) & (stated[:, 0] < high)
        p, right = stated[chosen].mean(axis=0)
        number = int(chosen.sum())
        held = binomtest(int(stated[chosen, 1].sum()), number).proportion_ci(method="exact")
        off = "" if held.low <= p <= held.high else "  off"
        counts = f"{low:8.2f} to {min(high, 1.0):.2f}  {number:11}  {p:11.3f}  {right:.3f}"
        print(f"{counts}  {held.low:.3f} to {held.high:.3f}{off}")


def _filled(stated: Array) -> list[tuple[float, float]]:
    """Bins of stated probability, joined from below until each holds enough findings."""
    bins: list[tuple[float, float]] = []
    low = EDGES[0]
    for high in (*EDGES[1:-1], np.inf):
        if np.sum((stated >= low) & (stated < high)) >= LEAST_FINDINGS:
            bins.append((low, high))
            low = high
    if bins and np.isfinite(bins[-1][1]):
        bins[-1] = (bins[-1][0], np.inf)
    return bins


def _called_contact(trial: Trial) -> bool:
    return trial.lead is not None and trial.lead[0] == "poor-contact"


def _share(what: str, trials: list[Trial], test: Callable[[Trial], bool]) -> None:
    number = sum(map(test, trials))
    print(f"{what}: {number} of {len(trials)} ({number / max(1, len(trials)):.1%})")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--faulty", type=int, default=300)
    parser.add_argument("--sound", type=int, default=100)
    parser.add_argument("--drawn", type=int, default=1000)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    arguments = parser.parse_args()
    report(
        run(
            arguments.faulty,
            arguments.sound,
            arguments.drawn,
            arguments.first_seed,
            arguments.jobs,
        )
    )
