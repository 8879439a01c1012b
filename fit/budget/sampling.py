"""Draws of a budget's inputs: propagation of distributions, JCGM 101."""

from __future__ import annotations

import zlib
from functools import lru_cache

import numpy as np

from fit.budget.inputs import PATH, SEED, Input, leak_owner, owner_of, path_key, path_number
from fit.budget.learned import relative_draws
from fit.budget.model import Array, Budget, Source
from fit.budget.uncertain import Uncertain


@lru_cache(maxsize=32)
def draw_stages(budget: Budget, draws: int) -> tuple[dict[str, Array], ...]:
    """For each stage its numeric keys, each (draws + 1,): the stated value first, then the draws.

    Positive quantities are lognormal with the stated value as mean, so that none is drawn at or
    below zero; a relative tolerance is rectangular (JCGM 101, 6.4.2). Every key of every stage has
    a stream of its own, so that changing one input leaves the draws of the others as they were;
    a property of a named material has one wherever it is used. What runs have taught is drawn as
    it hangs together.
    """
    return tuple(
        {
            key: _input(
                budget,
                (owner_of(stage, key), key),
                number,
                draws,
                bounded=key in _bounded(stage.keys),
            )
            for key, number in stage.uncertain.items()
        }
        for stage in budget.stages
    )


def draw_leaks(budget: Budget, draws: int) -> Array:
    """Resistance of every leak (draws + 1, leaks) [K/W], the stated value first."""
    columns = []
    for number, leak in enumerate(budget.leaks):
        stated = Uncertain(leak.R_K_per_W, leak.R_u_K_per_W)
        name = (leak_owner(leak), "R_K_per_W")
        columns.append(_input(budget, name, stated, draws, stream=f"leak {number}"))
    return np.array(columns).reshape(len(columns), draws + 1).T


def draw_path_fraction(budget: Budget, source: Source, draws: int) -> Array:
    """Share of a source's power that takes the path (draws + 1,), the stated value first."""
    key = path_key(source)
    return _input(budget, (PATH, key), path_number(source), draws, stream=key, bounded=True)


@lru_cache(maxsize=128)
def draw(stream: str, value: float, u: float, draws: int, *, bounded: bool = False) -> Array:
    """One positive number (draws + 1,): the stated value first; at most 1 where bounded.

    `stream` names it: the same name gives the same draws every time.
    """
    return _draw(Uncertain(value, u), draws, stream, bounded=bounded)


def _input(
    budget: Budget,
    name: tuple[str, str],
    number: Uncertain,
    draws: int,
    *,
    stream: str = "",
    bounded: bool = False,
) -> Array:
    """Draws of an input: as runs have taught it, else as stated."""
    known = {} if budget.learned is None or not draws else relative_draws(budget.learned, draws)
    if name not in known:
        return _draw(number, draws, stream or "/".join(name), bounded=bounded)
    drawn = number.value * np.concatenate([[1.0], known[name]])
    return np.minimum(drawn, 1.0) if bounded else drawn


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
        score = random.standard_normal(draws)
        drawn[1:] = value * Input("", "", "", number, 1.0).factor(score)
    return np.minimum(drawn, 1.0) if bounded else drawn
