"""What would have to change, as `heatrun budget --target --json` adds it to the budget."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fit.budget.target import Target


def target_document(target: Target) -> dict[str, object]:
    """The part `target` of `heatrun.budget/1`.

    `needed` is null where no value of the input alone brings the node to its target.

    Args:
        target: as found.

    Returns:
        The part, of plain Python values.
    """
    return {
        "node": target.node,
        "degC": target.degC,
        "ambient_degC": target.ambient_degC,
        "now_degC": target.now_degC,
        "now_u_K": target.now_u_K,
        "reached": target.reached,
        "allowable_power_W": target.allowable_W,
        "inputs": [
            {
                "stage": change.stage,
                "key": change.key,
                "value": change.value,
                "needed": change.needed,
                "step": change.step,
                "K_per_step": change.K_per_step,
                "best": {"value": change.best[0], "degC": change.best[1]},
                "curve": {"value": change.values.tolist(), "degC": change.degC.tolist()},
            }
            for change in target.changes
        ],
    }
