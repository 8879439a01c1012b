"""Made budgets, predictions and spans for the rooms that judge them (invented values)."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from fit.budget.model import Budget, Conditions, Limits, Prediction, Stage
from fit.measurement.spans import Spans
from fit.records.metadata import RunMetadata, metadata_from

STAGES = (
    Stage("junction to tab", "junction", "tab", "stated"),
    Stage("via array", "tab", "board_back", "via_array", {"count": 20}),
    Stage("pad", "board_back", "bar", "pad", {"area_mm2": 308.0}, contact=True),
    Stage("bar", "bar", "bar_end", "bar"),
    Stage("bar to case", "bar_end", "case", "joint", {"pressure_MPa": 0.5}, contact=True),
    Stage("case to air", "case", "ambient", "surface"),
)
PREDICTED_K_PER_W = (1.5, 3.2, 0.6, 0.4, 0.3, 7.5)
RELATIVE_U = (0.1, 0.1, 0.12, 0.05, 0.15, 0.12)
CAPACITY_J_PER_K = (0.05, 0.9, 3.0, 20.0, 5.0, 190.0)
MEASURED_NODES = ("tab", "board_back", "bar", "case", "ambient")
POWER_W = 4.2
SHARE = 0.97


def prediction(stages: tuple[Stage, ...] = STAGES) -> Prediction:
    """A budget of the charge controller with its prediction."""
    conditions = Conditions(POWER_W, 23.0, 55.0, SHARE, 0.01)
    R = np.array(PREDICTED_K_PER_W)
    u = R * np.array(RELATIVE_U)
    return Prediction(
        budget=Budget("made", Path("budget.toml"), conditions, Limits(), stages),
        power_W=POWER_W,
        ambient_degC=23.0,
        R_K_per_W=R,
        R_covariance=np.diag(u**2),
        C_J_per_K=np.array(CAPACITY_J_PER_K),
        rise_K={},
        rise_u_K={},
        tau_s=np.array([5.0, 60.0, 2000.0]),
        foster_node="junction",
        foster_R_K_per_W=np.array([3.0, 3.0, 7.5]),
        foster_tau_s=np.array([5.0, 60.0, 2000.0]),
    )


def run_metadata(document: Mapping[str, object]) -> RunMetadata:
    """What a run.json of these keys states."""
    return metadata_from(document, Path("run.json"))


def spans(
    factors: Mapping[str, float] | None = None,
    *,
    reads_low: Mapping[str, float] | None = None,
    power_reads: float = 1.0,
    relative_u: float = 0.01,
    nodes: tuple[str, ...] = MEASURED_NODES,
) -> Spans:
    """Spans as a bench would measure them.

    Args:
        factors: stage name -> true resistance over predicted, 1 where absent.
        reads_low: node -> fraction of its rise that its thermocouple misses.
        power_reads: recorded over true power.
        relative_u: relative standard uncertainty of every span.
        nodes: measured nodes in order.
    """
    factors, reads_low = factors or {}, reads_low or {}
    true = [
        R * factors.get(stage.name, 1.0) for R, stage in zip(PREDICTED_K_PER_W, STAGES, strict=True)
    ]
    above = {stage.from_node: sum(true[i:]) for i, stage in enumerate(STAGES)} | {"ambient": 0.0}
    heat_W = POWER_W * SHARE / power_reads
    rise = np.array([above[node] * (1 - reads_low.get(node, 0.0)) for node in nodes]) * heat_W
    R = -np.diff(rise) / POWER_W
    return Spans(
        nodes=nodes,
        R_K_per_W=R,
        covariance={"fit": np.diag((relative_u * np.abs(R)) ** 2)},
        power_W=POWER_W,
        final_degC=23.0 + rise,
        settled=True,
        warnings=(),
    )
