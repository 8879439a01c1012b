"""Results as JSON documents: the contract's keys, finite numbers, the unit of the power said."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from fit.assessment.conformity import hold
from fit.identification.residuals import describe_residual
from fit.identification.response import Response
from fit.output.documents import (
    budget_document,
    check_document,
    fit_document,
    heated_ladder,
    linear_intervals,
    resistance_unit,
)
from fit.records.results import to_json
from fit.signals.preparation import Signals
from tests.support.made import prediction, spans


def made_response(**changes: object) -> Response:
    """Two nodes, two time constants (invented values)."""
    n = 200
    t_s = np.arange(n, dtype=float)
    signals = Signals(
        t_s=t_s,
        nodes=("tab", "case", "ambient"),
        temperature_degC=np.full((n, 3), 25.0),
        power=np.full(n, 4.2),
        power_unit="W",
        zero_power_offset_K=np.zeros(3),
        zero_power_offset_u_K=np.zeros(3),
        power_edges_s=(0.0,),
        left_out=("line 9: torn",),
        warnings=(),
    )
    noise = np.random.default_rng(1).normal(0, 0.1, (n, 2))
    response = Response(
        reference="ambient",
        nodes=("tab", "case"),
        power=4.2,
        power_unit="W",
        tau_s=np.array([10.0, 1000.0]),
        tau_u_s=np.array([0.5, 20.0]),
        resistance_K_per_W=np.array([[2.0, 8.0], [-0.5, 8.5]]),
        resistance_u_K_per_W=np.array([[0.1, 0.1], [0.1, 0.1]]),
        total_K_per_W=np.array([10.0, 8.0]),
        covariance={"fit": np.diag([0.01, 0.01]), "offset": np.diag([0.0, 0.03])},
        curves=lambda: (np.zeros((n, 2)), noise),
        signals=signals,
        settled=True,
        not_resolved=("3 time constants: two are too close",),
        warnings=("a warning",),
    )
    return replace(response, **changes)  # type: ignore[arg-type]


def test_the_fit_document_has_the_keys_of_the_contract() -> None:
    document = json.loads(to_json(fit_document(made_response())))
    assert document["schema"] == "heatrun.fit/1"
    assert document["reference"] == "ambient"
    assert document["power_W"] == 4.2
    assert [
        {key: term[key] for key in ("tau_s", "u_s")} for term in document["time_constants"]
    ] == [
        {"tau_s": 10.0, "u_s": 0.5},
        {"tau_s": 1000.0, "u_s": 20.0},
    ]
    assert document["nodes"]["case"]["R_K_per_W"] == [-0.5, 8.5]
    assert document["nodes"]["case"]["R_total_K_per_W"] == 8.0
    assert document["nodes"]["case"]["R_total_u_K_per_W"] == pytest.approx(0.2)
    assert set(document["foster"]) == {"node", "R_K_per_W", "R_u_K_per_W", "tau_s", "tau_u_s"}
    assert document["foster"]["node"] == "tab"
    assert document["samples"] == 200
    assert document["residual_rms_K"] == pytest.approx(0.1, rel=0.2)
    assert document["warnings"] == ["a warning"]
    assert document["left_out"] == ["line 9: torn"]


def test_resistances_carry_the_unit_the_power_was_recorded_in() -> None:
    document = fit_document(made_response(power_unit="percent", power=50.0))
    assert document["power_W"] is None
    assert (document["power"], document["resistance_unit"]) == (50.0, "K/percent")
    assert resistance_unit("full power") == "K/(full power)"


def test_a_record_without_power_has_time_constants_and_no_resistances() -> None:
    response = made_response(
        power=0.0, resistance_K_per_W=np.zeros((2, 2)), total_K_per_W=np.zeros(2)
    )
    document = json.loads(to_json(fit_document(response)))
    assert document["time_constants"][0]["tau_s"] == 10.0
    assert document["nodes"]["tab"]["R_total_K_per_W"] is None


def test_what_is_not_finite_becomes_null() -> None:
    response = made_response(tau_u_s=np.array([0.5, np.inf]))
    assert json.loads(to_json(fit_document(response)))["time_constants"][1]["u_s"] is None


def test_the_ladder_of_the_hottest_node_has_its_total_resistance() -> None:
    ladder = heated_ladder(made_response())
    assert ladder is not None
    assert ladder.R_K_per_W.sum() == pytest.approx(10.0)
    assert (ladder.C_J_per_K > 0).all()
    assert ladder.network.taken_out == ()


def lagging() -> Response:
    """One term of 10 K/W and 1000 s, read with a lag of 10 s: 1000/990 of it, less the rest."""
    read = 10.0 * 1000 / 990
    return made_response(resistance_K_per_W=np.array([[10.0 - read, read], [-0.5, 8.5]]))


def test_a_lagging_sensor_has_the_ladder_behind_its_lag() -> None:
    ladder = heated_ladder(lagging())
    assert ladder is not None
    assert pytest.approx([10.0]) == ladder.R_K_per_W
    assert pytest.approx([100.0]) == ladder.C_J_per_K


def test_what_was_taken_out_stands_beside_the_ladder() -> None:
    cauer = fit_document(lagging())["cauer"]
    assert cauer["lag_s"] == [10.0]  # type: ignore[index]
    (sentence,) = cauer["taken_out"]  # type: ignore[index]
    assert "lag of 10 s is taken out" in sentence


def test_an_absorbed_term_is_said_with_how_far_it_is_off() -> None:
    taken = heated_ladder(made_response(resistance_K_per_W=np.array([[11.0, -1.0], [1.0, 7.0]])))
    assert taken is not None
    assert taken.network.absorbed_s == (1000.0,)
    assert f"{100 * taken.network.deviation:.1f} %" in taken.network.taken_out[0]


def test_a_node_that_falls_has_no_ladder() -> None:
    falling = made_response(resistance_K_per_W=np.array([[-11.0, 1.0], [-0.5, -8.5]]))
    assert heated_ladder(falling) is None
    assert fit_document(falling)["cauer"] is None


def test_intervals_are_symmetric_in_the_logarithm() -> None:
    low, high = linear_intervals(made_response())[0]
    assert low * high == pytest.approx(10.0**2)
    assert np.log(high / 10.0) == pytest.approx(1.96 * 0.05)


def test_the_check_document_has_the_keys_of_the_contract() -> None:
    verdict = hold(spans({"pad": 2.0}), prediction())
    document = json.loads(to_json(check_document(verdict)))
    assert document["schema"] == "heatrun.check/1"
    assert document["decision"] == "non-conforming"
    pad = next(span for span in document["spans"] if span["stages"] == ["pad"])
    assert (pad["from"], pad["to"], pad["decision"]) == ("board_back", "bar", "non-conforming")
    assert pad["predicted"]["R_K_per_W"] == pytest.approx(0.6)
    assert pad["measured"]["R_K_per_W"] == pytest.approx(1.2, rel=0.01)
    assert pad["p_conforming"] < 0.05
    assert document["findings"][0]["kind"] == "poor-contact"
    assert {"kind", "where", "probability", "text"} <= set(document["findings"][0])


def test_an_unmeasured_span_is_null_in_the_check_document() -> None:
    document = check_document(hold(spans(), prediction()))
    junction = document["spans"][0]  # type: ignore[index]
    assert (junction["from"], junction["measured"]) == ("junction", None)


def test_the_budget_document_has_the_keys_of_the_contract() -> None:
    rise_K = {"tab": 40.0, "ambient": 0.0}
    made = replace(prediction(), rise_K=rise_K, rise_u_K=dict.fromkeys(rise_K, 1.0))
    document = json.loads(to_json(budget_document(made)))
    assert document["schema"] == "heatrun.budget/1"
    assert document["stages"][2] == {
        "name": "pad",
        "from": "board_back",
        "to": "bar",
        "kind": "pad",
        "R_K_per_W": 0.6,
        "R_u_K_per_W": pytest.approx(0.072),
        "C_J_per_K": made.C_J_per_K[2],
    }
    assert document["nodes"]["tab"]["rise_K"] == 40.0
    assert document["nodes"]["tab"]["degC"] == 63.0
    assert document["time_constants"][0] == {"tau_s": 5.0}
    assert set(document["foster"]) == {"node", "R_K_per_W", "tau_s"}


def test_white_noise_is_called_white_and_a_drift_is_not() -> None:
    t_s = np.arange(2000.0)
    noise = np.random.default_rng(4).normal(0, 0.2, 2000)
    assert describe_residual(t_s, noise).is_white
    drifting = describe_residual(t_s, noise + 0.2 * np.sin(t_s / 100))
    assert not drifting.is_white
    assert drifting.autocorrelation > 0.2


def test_whiteness_is_right_as_often_as_it_says() -> None:
    """At 1 % the portmanteau test calls 1 % of white records not white: 1 to 24 of 1000 here."""
    random = np.random.default_rng(7)
    t_s = np.arange(500.0)
    called = sum(not describe_residual(t_s, random.normal(size=500)).is_white for _ in range(1000))
    assert 1 <= called <= 24


def test_the_largest_residual_is_placed_and_gaps_are_passed_over() -> None:
    residual = np.array([0.1, np.nan, -0.5, 0.2, np.nan])
    left = describe_residual(np.arange(5.0), residual)
    assert (left.largest_K, left.largest_at_s) == (-0.5, 2.0)
    assert left.rms_K == pytest.approx(np.sqrt((0.01 + 0.25 + 0.04) / 3))
