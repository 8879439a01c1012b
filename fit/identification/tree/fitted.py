"""A tree fitted to a record: resistances of its links, with their covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.identification.ladder.layout import ParameterLayout
from fit.identification.ladder.model import STEP
from fit.identification.ladder.search import (
    Prior,
    Trial,
    covariance_of,
    minimise,
    prior_sd,
    with_known_lags,
)
from fit.identification.ladder.settings import SETTINGS, SearchSettings
from fit.identification.tree.model import TreeModel
from fit.identification.tree.network import TreeNetwork, starting_capacities
from fit.identification.tree.record import SourceRecord
from fit.records.run import Array


@dataclass(frozen=True, eq=False)
class FittedTree:
    """The network that describes a record best."""

    network: TreeNetwork
    model: TreeModel
    g: Array  # (size,) where the search ended
    prior: Prior
    R_K_per_W: Array  # (links,) the tree's, then those beside it
    covariance: Array  # (links, links) [(K/W)^2]
    covariance_known_offset: Array  # the same, had the zero-power offsets been known
    C_J_per_K: Array  # (nodes,)
    tau_s: Array  # (nodes,) ascending
    tau_u_s: Array  # (nodes,) their standard uncertainties
    cost: float  # weighted sum of squares of the readings, priors included
    residual: Array  # (c, m) weighted, independent from node to node


def fit_tree(
    sources: SourceRecord, network: TreeNetwork, settings: SearchSettings = SETTINGS
) -> FittedTree:
    """The network's parameters by least squares, begun at the budget and at places around it.

    Args:
        sources: the record.
        network: which nodes, which links, and what is known of them.
        settings: of the search.
    """
    record = sources.cells
    layout = ParameterLayout(network.topology, network.hidden, record.hot_start, record.edge_free)
    model = TreeModel(sources, layout, settings, interpolated=True)
    random = np.random.default_rng(settings.seed)
    found: list[Trial] = []
    for number in range(settings.most_starts):
        g, prior = _start(model, network, random if number else None)
        good = min((trial.cost for trial in found), default=np.inf)
        for ease in settings.eased if number else ():
            g = minimise(model, g, prior, ease=ease).theta
        found.append(minimise(model, g, prior, good_cost=good))
        best = min(found, key=lambda trial: trial.cost)
        # Even one that describes the record to the noise may be the wrong valley: sources that
        # are only on together divide their heat in more than one way. Found twice, it is the least.
        if sum(trial.cost < best.cost + settings.same_cost for trial in found) > 1:
            break
    exact = TreeModel(sources, layout, settings)
    return _fitted(exact, network, minimise(exact, best.theta, best.prior))


def _start(
    model: TreeModel, network: TreeNetwork, random: np.random.Generator | None
) -> tuple[Array, Prior]:
    """Where a search begins, and what is known before the run; at the budget, or around it."""
    layout, settings = model.layout, model.settings
    R, C = network.R_K_per_W, starting_capacities(network, settings.hidden_s)
    lag_s = np.full(model.m + 1, settings.lag_s)
    moved_R, moved_C = R, C
    if random is not None:
        moved_R = R * np.exp(0.5 * settings.ln_pattern_sd * random.standard_normal(len(R)))
        moved_C = C * np.exp(settings.ln_pattern_sd * random.standard_normal(len(C)))
        lag_s = settings.lag_s * random.uniform(*settings.lag_starts, model.m + 1)
    edge_s = -0.5 * model.record.scan_s
    left_over = np.zeros(len(C))
    mean = layout.pack(R, C, np.full(model.m + 1, settings.lag_s), left_over, edge_s)
    g = layout.pack(moved_R, moved_C, lag_s, left_over, edge_s)
    sd = prior_sd(model)
    sd[layout.resistances] = np.minimum(network.ln_R_sd, settings.ln_value_sd)
    return with_known_lags(model, g, Prior(mean, sd))


def _fitted(model: TreeModel, network: TreeNetwork, found: Trial) -> FittedTree:
    layout, settings, g = model.layout, model.settings, found.theta
    R = layout.resistance(g)
    loose = found.prior.sd.copy()
    # Near zero a resistance is known in kelvins per watt, not by a factor.
    free = np.isinf(network.ln_R_sd)
    wide = settings.loose_prior * R.sum() / R
    loose[layout.resistances] = np.where(
        free, np.maximum(loose[layout.resistances], wide), loose[layout.resistances]
    )
    covariance = covariance_of(model.record, found, loose)
    spread = np.sqrt(np.maximum(np.diag(covariance.total)[layout.resistances], 0.0))
    reach = np.clip(1.96 * spread, 1e-6, settings.longest_reach)
    pick = np.zeros((len(R), len(covariance.normal)))
    pick[np.arange(len(R)), np.arange(len(R))] = R * np.expm1(reach) / reach
    ln_tau, slope = _ln_tau(model, g)
    ln_tau_u = np.sqrt(np.einsum("kg,gh,kh->k", slope, _of_g(covariance.total, g), slope))
    order = np.argsort(ln_tau)
    return FittedTree(
        network=network,
        model=model,
        g=g,
        prior=found.prior,
        R_K_per_W=R,
        covariance=pick @ covariance.total @ pick.T,
        covariance_known_offset=pick @ covariance.known_offset @ pick.T,
        C_J_per_K=layout.capacity(g),
        tau_s=np.exp(ln_tau[order]),
        tau_u_s=np.exp(ln_tau[order]) * ln_tau_u[order],
        cost=found.cost,
        residual=found.residual,
    )


def _ln_tau(model: TreeModel, g: Array) -> tuple[Array, Array]:
    """Logarithms of the time constants (n,) of parameters g, and their slopes by g (n, size)."""
    n, size = len(model.layout.topology), model.layout.size
    at = np.vstack([g, g + STEP * np.eye(size)])
    ln_tau = model.poles(at)[0][:, :n]
    return ln_tau[0], (ln_tau[1:] - ln_tau[0]).T / STEP


def _of_g(covariance: Array, g: Array) -> Array:
    """The part of a covariance that belongs to the parameters, without the nodes' constants."""
    return covariance[: len(g), : len(g)]
