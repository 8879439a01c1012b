"""What `fit` says of several sources without a budget, for programs and for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fit.measurement.resolution import are_resolved
from fit.output.documents import FIT

if TYPE_CHECKING:
    from rich.console import Console

    from fit.identification.several_inputs import SourcesResponse

NO_NETWORK = (
    "no budget is given, so no network is supposed: shared time constants alone, a witness for"
    " long records; with --budget the tree is fitted"
)


def sources_fit_document(found: SourcesResponse) -> dict[str, object]:
    """`heatrun.fit/1` of several sources; totals are per watt of all sources, as they were on.

    A source's node is the one that it warms most of those measured.

    Args:
        found: as identified.

    Returns:
        The document.
    """
    watts = found.power_W / found.power_W.sum()
    total = found.Z_K_per_W @ watts
    total_u = np.sqrt(np.einsum("s,jst,t->j", watts, found.Z_covariance, watts))
    by_tau = np.einsum("jsk,s->jk", found.resistance_K_per_W, watts)
    resolved = are_resolved(total, total_u)
    hottest = int(np.argmax(total))
    names = found.run.sources
    warmed = found.Z_K_per_W.argmax(axis=0)
    return {
        "schema": FIT,
        "reference": found.reference,
        "power_W": float(found.power_W.sum()),
        "power": float(found.power_W.sum()),
        "power_unit": found.run.power_unit,
        "resistance_unit": f"K/{found.run.power_unit}",
        "sources": {
            name: {"node": found.nodes[j], "power_W": float(power)}
            for name, j, power in zip(names, warmed, found.power_W, strict=True)
        },
        "time_constants": [
            {
                "tau_s": float(tau),
                "u_s": float(u),
                "interval_95_s": [float(tau * np.exp(side * 1.96 * u / tau)) for side in (-1, 1)],
            }
            for tau, u in zip(found.tau_s, found.tau_u_s, strict=True)
        ],
        "intervals": "linear",
        "nodes": {
            node: {
                "R_K_per_W": by_tau[j].tolist(),
                "R_total_K_per_W": float(total[j]),
                "R_total_u_K_per_W": float(total_u[j]),
                "R_total_by_source_K_per_W": dict(
                    zip(names, found.Z_K_per_W[j].tolist(), strict=True)
                ),
                "resolved": bool(resolved[j]),
            }
            for j, node in enumerate(found.nodes)
        },
        "foster": {
            "node": found.nodes[hottest],
            "above": found.reference,
            "R_K_per_W": by_tau[hottest].tolist(),
            "tau_s": found.tau_s.tolist(),
        },
        "cauer": None,
        "not_resolved": [],
        "residual_rms_K": found.residual_rms_K,
        "samples": found.samples,
        "settled": found.settled,
        "left_out": [],
        "warnings": [*found.warnings, NO_NETWORK],
    }


def print_sources_fit(console: Console, found: SourcesResponse) -> None:
    """Print time constants and what each source warms.

    Args:
        console: to print on.
        found: as identified.
    """
    from fit.output.terminal.rises import Rises, print_rises

    rises = Rises(
        reference=found.reference,
        tau_s=found.tau_s,
        tau_u_s=found.tau_u_s,
        title=f"Rise above {found.reference}, K per {found.run.power_unit} of",
        sources=found.run.sources,
        power=found.power_W,
        unit=found.run.power_unit,
        nodes=found.nodes,
        Z=found.Z_K_per_W,
        Z_u=found.Z_u_K_per_W,
        left=f"What the fit leaves: {found.residual_rms_K:.2g} K rms over {found.samples} scans.",
    )
    print_rises(console, rises, (*found.warnings, NO_NETWORK))
