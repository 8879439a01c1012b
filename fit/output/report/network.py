"""The identified network in a report: per watt on the path, as everything else there."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from fit.notation import digits
from fit.output.documents import heated_ladder, resistance_unit
from fit.output.report.rows import ladder_rows, tau_predicted, tau_rows

if TYPE_CHECKING:
    from fit.assessment.conformity import Verdict
    from fit.identification.response import Response


def along_path(response: Response, verdict: Verdict | None) -> Response:
    """The same response per watt that takes the path, as `check` has it.

    Args:
        response: as identified, per watt recorded.
        verdict: of the same run, whose budget says the share; None where no budget was given.

    Returns:
        The response; its power is that of the path.
    """
    if verdict is None:
        return response
    conditions = verdict.prediction.budget.conditions
    share, relative_u = conditions.path_fraction, conditions.path_fraction_u
    relative_u /= share
    R, total = response.resistance_K_per_W / share, response.total_K_per_W / share
    covariance = {name: c / share**2 for name, c in response.covariance.items()}
    return replace(
        response,
        power=response.power * share,
        signals=replace(response.signals, power=response.signals.power * share),
        resistance_K_per_W=R,
        resistance_u_K_per_W=np.hypot(response.resistance_u_K_per_W / share, relative_u * R),
        total_K_per_W=total,
        covariance=covariance | {"path_share": relative_u**2 * np.outer(total, total)},
    )


def network_section(response: Response | None, verdict: Verdict | None) -> dict[str, object]:
    """What the report says of the identified network of one source; of several, nothing.

    Args:
        response: as identified.
        verdict: of the same run; None where no budget was given.

    Returns:
        Values by the template's names.
    """
    if response is None:
        nothing = dict.fromkeys(("residual", "samples", "reference", "foster_node", "capacity"), "")
        rows = dict.fromkeys(("tau_rows", "not_resolved", "ladder", "taken_out"), ())
        return {"unit": "K/W", "tau_predicted": "", **nothing, **rows}
    response = along_path(response, verdict)
    ladder = heated_ladder(response) if response.power else None
    return {
        "residual": f"{digits(response.residual_rms_K, 2)} K",
        "samples": f"{response.samples:,}".replace(",", " "),
        "unit": resistance_unit(response.power_unit),
        "reference": response.reference or "its own start",
        "foster_node": response.foster_node,
        "tau_rows": tau_rows(response, verdict),
        "tau_predicted": tau_predicted(verdict),
        "not_resolved": response.not_resolved,
        "ladder": ladder_rows(ladder),
        "taken_out": ladder.network.taken_out if ladder else (),
        "capacity": "J/K" if response.power_unit == "W" else f"{response.power_unit}·s/K",
    }
