"""Draws of a budget's inputs: propagation of distributions, JCGM 101."""

from __future__ import annotations

import zlib
from functools import lru_cache

import numpy as np

from fit.budget.model import Array, Budget
from fit.budget.uncertain import Uncertain

SEED = 20080101  # fixed: the same budget gives the same numbers every time


@lru_cache(maxsize=32)
def draw_stages(budget: Budget, draws: int) -> tuple[dict[str, Array], ...]:
    """For each stage its numeric keys, each (draws + 1,): the stated value first, then the draws.

    Positive quantities are lognormal with the stated value as mean, so that none is drawn at or
    below zero; a relative tolerance is rectangular (JCGM 101, 6.4.2). Every key of every stage has
    a stream of its own, so that changing one input leaves the draws of the others as they were.
    """
    return tuple(
        {
            key: _draw(number, draws, f"{stage.name}/{key}", bounded=key in _bounded(stage.keys))
            for key, number in stage.uncertain.items()
        }
        for stage in budget.stages
    )


@lru_cache(maxsize=128)
def draw(stream: str, value: float, u: float, draws: int, *, bounded: bool = False) -> Array:
    """One positive number (draws + 1,): the stated value first; at most 1 where bounded.

    `stream` names it: the same name gives the same draws every time.
    """
    return _draw(Uncertain(value, u), draws, stream, bounded=bounded)


def _bounded(keys: object) -> frozenset[str]:
    return getattr(type(keys), "bounded", frozenset())


def _draw(number: Uncertain, draws: int, stream: str, *, bounded: bool = False) -> Array:
    value, u = number.value, number.u
    drawn = np.full(draws + 1, value)
    if u == 0 or value == 0:
        return drawn
    random = np.random.default_rng([SEED, zlib.crc32(stream.encode())])
    if number.shape == "rectangular":
        half_width = np.sqrt(3) * u
        drawn[1:] = random.uniform(value - half_width, value + half_width, draws)
    else:
        spread = np.sqrt(np.log1p((u / value) ** 2))
        drawn[1:] = value * np.exp(spread * random.standard_normal(draws) - spread**2 / 2)
    return np.minimum(drawn, 1.0) if bounded else drawn
