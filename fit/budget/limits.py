"""Upper limits of stages: as stated, else a multiple of what is predicted."""

from __future__ import annotations

import numpy as np

from fit.budget.model import Array, Prediction

DEFAULT_LIMIT_FACTOR = 1.25
"""Upper limit of a stage that states none, as a multiple of its predicted resistance."""


def stage_limits(prediction: Prediction) -> Array:
    """Upper limit of every stage [K/W]: as stated, else 1.25 × predicted."""
    return np.array(
        [
            DEFAULT_LIMIT_FACTOR * predicted if stage.limit_K_per_W is None else stage.limit_K_per_W
            for stage, predicted in zip(prediction.budget.stages, prediction.R_K_per_W, strict=True)
        ]
    )
