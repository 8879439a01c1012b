"""The least uncertainty any estimator can have of a random rig's inner spans.

The Cramér-Rao bound of the true ladder at its true values, from every sample: scan-to-scan noise
and rounding as white noise of the nodes and of the reference, offsets unknown, sensor lags, heat
capacities and the power edge as little known beforehand as the program takes them to be.
"""

from __future__ import annotations

import numpy as np

from bench.virtual.prototype import Prototype
from fit.identification.ladder.model import LadderModel
from fit.identification.ladder.settings import SETTINGS
from fit.identification.pole_model import reduce
from fit.records.run import Array, Run
from fit.signals.preparation import only, prepare

SHORTEST_LAG_S = 0.02


def least_relative_u(run: Run, prototype: Prototype) -> Array:
    """Least relative standard uncertainty of every inner span (s - 1,) of a prototype's run."""
    inner = only(prepare(run), tuple(node for node in run.nodes if node != "ambient"))
    record = reduce(inner, tuple(node for node in inner.nodes if node != "case"), "case")
    model = LadderModel(record, hidden=int("junction" in prototype.nodes))
    g, sd = _truth(model, prototype, run.nodes)
    cells, m = record.rise_K.shape
    jacobian = np.zeros((cells, m, len(g) + m))
    jacobian[:, :, : len(g)] = model(g)[1]()
    jacobian[:, np.arange(m), len(g) + np.arange(m)] = 1.0
    noise_K = [_white_K(prototype, node) for node in (*record.nodes, "case")]
    covariance = np.diag(np.square(noise_K[:-1])) + noise_K[-1] ** 2
    samples = record.cells.samples.astype(float)
    information = np.einsum(
        "c,cia,ij,cjb->ab", samples, jacobian, np.linalg.inv(covariance), jacobian
    )
    information[: len(g), : len(g)] += np.diag(1 / sd**2)
    bound = np.linalg.pinv(information, hermitian=True, rcond=1e-15)
    return np.asarray(np.sqrt(np.diag(bound)[model.layout.spans]))


def _white_K(prototype: Prototype, node: str) -> float:
    sensor = prototype.sensors[node]
    return float(np.hypot(sensor.noise_K, sensor.quantum_K / np.sqrt(12)))


def _truth(model: LadderModel, prototype: Prototype, nodes: tuple[str, ...]) -> tuple[Array, Array]:
    """The model's parameters at the truth, and how well each is known beforehand."""
    layout = model.layout
    n = len(layout.topology)
    R, C = np.array(prototype.resistance_K_per_W[:n]), np.array(prototype.capacity_J_per_K[:n])
    measured = [node for node in nodes if node != "ambient"]
    lag_s = np.array([max(prototype.sensors[node].lag_s, SHORTEST_LAG_S) for node in measured])
    sd = np.full(layout.size, SETTINGS.ln_value_sd)
    sd[layout.lags] = SETTINGS.lag_sd_s
    sd[layout.left_over] = SETTINGS.left_over_sd_K
    sd[layout.edge] = 0.5 * model.record.scan_s
    return layout.pack(R, C, lag_s, np.zeros(n), 0.0), sd
