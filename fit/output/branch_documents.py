"""Result of `fit` for a run of several sources, for programs (`heatrun.fit/1`) and for people."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fit.measurement.resolution import are_resolved
from fit.network.modes import modes
from fit.network.steady_state import resistance_matrix
from fit.output.documents import FIT

if TYPE_CHECKING:
    from rich.console import Console

    from fit.measurement.branches import Branches
    from fit.records.run import Array

STEP = 1e-6  # relative, of a resistance: half the digits of a double


@dataclass(frozen=True, eq=False)
class Totals:
    """Rise of every measured node per watt on the path."""

    nodes: tuple[str, ...]  # (m,)
    above: str
    Z_K_per_W: Array  # (m, sources) of each source
    Z_u_K_per_W: Array
    all_K_per_W: Array  # (m,) of all of them together, as they were on
    all_u_K_per_W: Array


def totals(branches: Branches) -> Totals:
    """Rise of every measured node per watt on the path of each source, and of all.

    Args:
        branches: as measured.

    Returns:
        Above ambient where the last span is resolved, else above the node before.
    """
    fitted, spans = branches.fitted, branches.spans
    topology = fitted.network.topology
    seen = [i for i, node in enumerate(topology.nodes) if node not in fitted.network.hidden]
    R = fitted.R_K_per_W
    moved = R * (1 + STEP * np.eye(len(R)))
    Z = resistance_matrix(topology, np.vstack([R, moved]))[:, seen]
    slope = (Z[1:] - Z[0]) / (STEP * R)[:, np.newaxis, np.newaxis]
    watts = branches.path_W / branches.path_W.sum()
    variance = np.einsum("ljs,lk,kjs->js", slope, fitted.covariance, slope)
    of_all = np.einsum("lj,lk,kj->j", slope @ watts, fitted.covariance, slope @ watts)
    nodes, above, value = tuple(topology.nodes[i] for i in seen), topology.reference, Z[0]
    if branches.air is not None and spans.resolved[-1]:
        air = branches.air.R_K_per_W
        nodes, above = (*nodes, above), spans.nodes[-1]
        value = np.vstack([value, np.zeros(value.shape[1])]) + air
        variance = np.vstack([variance, np.zeros(value.shape[1])])
        of_air = spans.total_covariance[-1, -1]
        variance, of_all = variance + of_air, np.append(of_all, 0.0) + of_air
    return Totals(nodes, above, value, np.sqrt(variance), value @ watts, np.sqrt(of_all))


def branch_fit_document(branches: Branches) -> dict[str, object]:
    """`heatrun.fit/1` of several sources; totals are per watt of all sources, as they were on.

    Args:
        branches: as measured.

    Returns:
        The document.
    """
    fitted, budget = branches.fitted, branches.budget
    found = totals(branches)
    nodes, total, total_u = found.nodes, found.all_K_per_W, found.all_u_K_per_W
    names = [source.name for source in budget.sources]
    watts = branches.path_W / branches.path_W.sum()
    topology = fitted.network.topology
    amplitude = modes(topology, fitted.R_K_per_W, fitted.C_J_per_K)
    by_tau = np.einsum("nsk,s->nk", amplitude.amplitude_K_per_W, watts)
    inner = {node: by_tau[topology.index(node)] for node in nodes if node in topology.nodes}
    hottest = max(inner, key=lambda node: float(inner[node].sum()))
    resolved = are_resolved(total, total_u)
    return {
        "schema": FIT,
        "reference": found.above,
        "power_W": float(branches.power_W.sum()),
        "power": float(branches.power_W.sum()),
        "power_unit": "W",
        "resistance_unit": "K/W",
        "sources": {
            source.name: {"node": source.node, "power_W": float(power)}
            for source, power in zip(budget.sources, branches.power_W, strict=True)
        },
        "time_constants": [
            {
                "tau_s": float(tau),
                "u_s": float(tau_u),
                # Even in the logarithm: a time constant is positive.
                "interval_95_s": [
                    float(tau * np.exp(side * 1.96 * tau_u / tau)) for side in (-1, 1)
                ],
            }
            for tau, tau_u in zip(fitted.tau_s, fitted.tau_u_s, strict=True)
        ],
        "intervals": "linear",
        "nodes": {
            node: {
                "R_K_per_W": inner[node].tolist() if node in inner else [],
                "R_total_K_per_W": float(total[j]),
                "R_total_u_K_per_W": float(total_u[j]),
                "R_total_by_source_K_per_W": dict(
                    zip(names, found.Z_K_per_W[j].tolist(), strict=True)
                ),
                "resolved": bool(resolved[j]),
            }
            for j, node in enumerate(nodes)
        },
        "foster": {
            "node": hottest,
            "above": topology.reference,
            "R_K_per_W": inner[hottest].tolist(),
            "tau_s": amplitude.tau_s.tolist(),
        },
        "cauer": None,
        "not_resolved": [],
        "residual_rms_K": _residual_K(branches),
        "samples": len(branches.signals.t_s),
        "settled": branches.spans.settled,
        "left_out": list(branches.signals.left_out),
        "warnings": list(branches.spans.warnings),
    }


def _residual_K(branches: Branches) -> float:
    """Root mean square of what the network leaves of the cells' means [K]."""
    model = branches.fitted.model
    value, _ = model(branches.fitted.g)
    left = np.where(model.record.weight > 0, model.record.rise_K - value, np.nan)
    return float(np.sqrt(np.nanmean((left - np.nanmean(left, axis=0)) ** 2)))


def print_branch_fit(console: Console, branches: Branches) -> None:
    """Print time constants, what each source warms, and what stays open.

    Args:
        console: to print on.
        branches: as measured.
    """
    from fit.output.terminal.rises import Rises, print_rises

    found, fitted = totals(branches), branches.fitted
    rises = Rises(
        reference=fitted.network.topology.reference,
        tau_s=fitted.tau_s,
        tau_u_s=fitted.tau_u_s,
        title=f"Rise above {found.above}, K per watt on the path of",
        sources=tuple(source.name for source in branches.budget.sources),
        power=branches.power_W,
        unit="W",
        nodes=found.nodes,
        Z=found.Z_K_per_W,
        Z_u=found.Z_u_K_per_W,
        left=f"What the network leaves: {_residual_K(branches):.2g} K rms over"
        f" {len(branches.signals.t_s)} scans.",
    )
    print_rises(console, rises, branches.spans.warnings)
