"""A sensor's lag that the rig states is what a search begins from, and believes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fit.errors import RecordError
from fit.identification.ladder.model import LadderModel
from fit.identification.ladder.search import Prior, with_known_lags
from fit.identification.pole_model import reduce
from fit.records.metadata import metadata_from
from fit.signals.preparation import prepare
from tests.fit.identification.test_response import made_run


def stated(**channel: object) -> object:
    return {"rig": {"channel": [{"node": "tab", **channel}]}}


def test_a_stated_lag_takes_the_place_of_the_usual_prior() -> None:
    metadata = metadata_from(stated(lag_s=1.5, lag_u_s=0.2), Path("run.json"))
    signals = prepare(replace(made_run(), metadata=metadata))
    nodes = tuple(node for node in signals.nodes if node != "ambient")
    model = LadderModel(reduce(signals, nodes, "ambient"), hidden=0)
    lags = model.layout.lags
    usual = Prior(np.zeros(model.layout.size), np.full(model.layout.size, 3.0))
    g, prior = with_known_lags(model, np.full(model.layout.size, 0.9), usual)
    tab = lags.start + nodes.index("tab")
    assert (g[tab], prior.mean[tab], prior.sd[tab]) == (1.5, 1.5, 0.2)
    others = np.arange(model.layout.size) != tab
    assert (g[others] == 0.9).all()
    assert (prior.sd[others] == 3.0).all()


def test_a_lag_without_its_uncertainty_is_known_to_a_third() -> None:
    metadata = metadata_from(stated(lag_s=2.0), Path("run.json"))
    assert metadata.lags["tab"] == (2.0, pytest.approx(0.6))


@pytest.mark.parametrize(
    "channel", [{"lag_s": -1.0}, {"lag_s": "1 s"}, {"lag_s": 1, "lag_u_s": True}]
)
def test_a_lag_that_is_none_is_refused(channel: dict[str, object]) -> None:
    with pytest.raises(RecordError, match="rig: channel 1: lag_"):
        metadata_from(stated(**channel), Path("run.json"))
