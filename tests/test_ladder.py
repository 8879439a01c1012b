"""The ladder's response and its derivatives."""

from __future__ import annotations

import numpy as np
import pytest

from fit.ladder_model import LadderModel
from fit.signals import only, prepare
from fit.transfer import Reduced, reduce
from tests.test_spans import NODES, heat_run


def reduced() -> Reduced:
    run = heat_run(300)
    signals = only(prepare(run), NODES[:-1])
    return reduce(signals, NODES[:-2], NODES[-2])


@pytest.mark.parametrize("hidden", [0, 1])
def test_derivatives_agree_with_differences(hidden: int) -> None:
    model = LadderModel(reduced(), hidden)
    n = model.lumps
    g = np.concatenate(
        (np.log(np.linspace(1.5, 0.5, n)), np.log(np.linspace(2, 30, n)), np.full(4, 0.8), [-0.4])
    )
    _, derivatives = model(g)
    J = derivatives()
    for i in range(model.size):
        h = np.zeros(model.size)
        h[i] = 1e-4
        numeric = (model(g + h)[0] - model(g - h)[0]) / 2e-4
        assert J[:, :, i] == pytest.approx(numeric, abs=1e-4)


def test_totals_settle_at_the_sum_of_the_resistances() -> None:
    model = LadderModel(reduced(), 0)
    R = np.array([1.5, 1.0, 0.5])
    g = np.concatenate((np.log(R), np.log([0.02, 0.02, 0.02]), np.full(4, 0.05), [0.0]))
    _, A, _, _ = model.poles(g[None])
    assert A[0].sum(axis=0) == pytest.approx([3.0, 1.5, 0.5])


def test_the_references_noise_is_known_to_be_in_every_rise() -> None:
    correlation = reduced().correlation
    assert np.diag(correlation) == pytest.approx(1.0)
    assert correlation[np.triu_indices(3, 1)] == pytest.approx(0.5, abs=0.1)
