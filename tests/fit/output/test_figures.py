"""Figures: drawn from made values, read back as SVG."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fit.assessment.conformity import hold
from fit.errors import NotIdentifiable
from fit.identification.identify import identify
from fit.identification.response import Response
from fit.notation import with_expanded
from fit.output.figures import (
    compared_figure,
    curves_figure,
    draw_each,
    path_figure,
    record_figure,
    spectrum_figure,
    uncertainty_figure,
)
from fit.output.figures.curves import bin_log_time
from fit.output.figures.record import thin
from fit.output.path_view import heat_path
from fit.output.theme import DARK, LIGHT, new_figure, save_png, spread_labels, to_svg
from fit.records.run import Run
from fit.signals.preparation import Signals
from tests.support.made import prediction, spans


def made_run(n: int = 400) -> Run:
    t = np.arange(float(n))
    power = np.where(t >= 20, 4.2, 0.0)
    rise = np.clip(1 - np.exp(-(t - 20) / 60), 0, None)
    temperature = 23 + np.outer(rise, [40.0, 20.0, 0.0])
    return Run(Path("made"), "made", ("tab", "case", "ambient"), t, temperature, power)


def made_response(run: Run) -> Response:
    fitted = run.temperature_degC[:, :2] - run.temperature_degC[:, 2:]
    noise = np.random.default_rng(1).normal(0, 0.05, fitted.shape)
    signals = Signals(
        t_s=run.t_s,
        nodes=run.nodes,
        temperature_degC=run.temperature_degC,
        power=run.power,
        power_unit="W",
        zero_power_offset_K=np.zeros(3),
        zero_power_offset_u_K=np.full(3, 0.02),
        power_edges_s=(20.0,),
        left_out=(),
        warnings=(),
    )
    return Response(
        reference="ambient",
        nodes=run.nodes[:2],
        power=4.2,
        power_unit="W",
        tau_s=np.array([60.0]),
        tau_u_s=np.array([1.0]),
        resistance_K_per_W=np.array([[9.5], [4.8]]),
        resistance_u_K_per_W=np.array([[0.1], [0.05]]),
        total_K_per_W=np.array([9.5, 4.8]),
        covariance={"fit": np.diag([0.01, 0.0025])},
        curves=lambda: (fitted, noise),
        signals=signals,
        settled=True,
        not_resolved=(),
        warnings=(),
    )


def texts(svg: str) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", svg)


def path_svg(**faults: float) -> str:
    verdict = hold(spans(faults), prediction())
    return to_svg(path_figure(heat_path(verdict.measured, verdict)), "path")


def test_the_path_names_every_node_and_every_stage():
    said = texts(path_svg())
    for name in ("junction", "tab", "board_back", "bar", "case", "ambient", "pad", "via array"):
        assert name in said


def test_the_path_shows_the_temperature_of_every_measured_node():
    path = heat_path(spans())
    said = texts(to_svg(path_figure(path), "path"))
    for node in path.nodes[:-1]:
        assert f"{with_expanded(node.degC, node.u_K)} °C" in said


def test_only_a_span_over_its_limit_is_said_to_be_over():
    assert "OVER LIMIT" not in texts(path_svg())
    assert texts(path_svg(pad=2.5)).count("OVER LIMIT") == 1


def test_a_node_nobody_can_reach_is_inferred_and_says_so():
    verdict = hold(spans(), prediction())
    junction = heat_path(verdict.measured, verdict).nodes[0]
    tab = verdict.measured.final_degC[0]
    assert junction.inferred
    assert junction.degC == pytest.approx(tab + 4.2 * 0.97 * 1.5)
    assert junction.u_K > 4.2 * 0.97 * 0.15


def test_a_path_without_a_budget_has_no_prediction():
    svg = to_svg(path_figure(heat_path(spans())), "path")
    assert "predicted" not in svg


def test_what_nobody_predicted_cannot_be_compared():
    with pytest.raises(NotIdentifiable, match="no span is both measured and predicted"):
        compared_figure(heat_path(spans()))


def test_compared_gives_measured_over_predicted():
    verdict = hold(spans({"pad": 2.0}), prediction())
    said = texts(to_svg(compared_figure(heat_path(verdict.measured, verdict)), "compared"))
    assert "pad: 2.00 times" in said


def test_curves_bin_the_heating_and_keep_the_fit():
    binned = bin_log_time(made_response(made_run()))
    assert (np.diff(binned.t_s) > 0).all()
    assert binned.t_s[0] >= 1
    assert np.abs(binned.measured_K - binned.fitted_K).max() < 0.2
    assert (binned.u_K >= 0.02).all()


def test_curves_name_each_node_beside_its_curve():
    said = texts(to_svg(curves_figure(made_response(made_run())), "curves"))
    assert said.count("tab") == 2  # curve and residual
    assert said.count("ambient") == 0


def test_curves_need_some_record():
    response = made_response(made_run(22))
    with pytest.raises(NotIdentifiable, match="ends too soon after the power step"):
        curves_figure(response)


def drawn_in(draw: Callable[..., Figure], *values: object) -> tuple[Figure, Figure, Axes]:
    """What a function drew in axes of somebody else's figure, and that figure."""
    whole = new_figure(4)
    ax = whole.subfigures(1, 2)[1].subplots()
    return draw(*values, ax=ax), whole, ax


def test_figures_of_one_axes_draw_in_the_callers():
    verdict = hold(spans(), prediction())
    path = heat_path(verdict.measured, verdict)
    for draw, value in (
        (path_figure, path),
        (compared_figure, path),
        (uncertainty_figure, verdict.measured),
    ):
        drawn, whole, ax = drawn_in(draw, value)
        assert drawn is whole
        assert len(whole.axes) == 1
        assert any("board_back" in text.get_text() or "pad" in text.get_text() for text in ax.texts)


def test_what_cannot_be_drawn_is_left_out_of_those_that_can():
    wanted = {
        "path": partial(path_figure, heat_path(spans())),
        "compared": partial(compared_figure, heat_path(spans())),
    }
    assert list(draw_each(wanted)) == ["path"]


def test_a_spike_survives_thinning():
    run = made_run(100_000)
    run.temperature_degC[54_321, 0] = 200.0
    _, _, high, _ = thin(run)
    assert high.max() == 200.0
    assert len(high) < 1000


def test_missing_readings_do_not_stop_the_record_figure():
    run = made_run()
    run.temperature_degC[50:100, 1] = np.nan
    assert "tab" in texts(to_svg(record_figure(run), "record"))


def test_uncertainty_names_its_sources():
    made = dataclasses.replace(
        spans(),
        covariance={"fit": np.diag([0.01] * 4), "power": np.diag([0.02] * 4)},
    )
    said = texts(to_svg(uncertainty_figure(made, 0.02), "uncertainty"))
    assert {"fit", "power reading", "share of the power on this path"} <= set(said)


def spectrum_texts(response: Response) -> list[str]:
    return texts(to_svg(spectrum_figure(response), "spectrum"))


def test_the_spectrum_says_where_each_node_stands_and_whose_marks_are_whose():
    said = spectrum_texts(identify(made_run()))
    assert {"tab", "case", "ambient"} <= set(said)
    assert any("dots the fit's, area the readings'" in text for text in said)


def test_without_a_clean_step_only_the_fit_is_drawn():
    said = spectrum_texts(made_response(made_run()))
    assert "heat capacity met, J/K" in said
    assert not any("readings" in text for text in said)


def test_a_response_without_power_has_no_spectrum():
    with pytest.raises(NotIdentifiable, match="does not rise with the power"):
        spectrum_figure(dataclasses.replace(made_response(made_run()), power=0.0))


def test_svg_carries_roles_and_no_fixed_colour_of_the_palette():
    svg = path_svg(pad=2.5)
    assert "var(--over)" in svg
    assert not [value for value in LIGHT.values() if value in svg]


def test_svg_refers_to_nothing_outside():
    assert not re.search(r"https?://|<script|@import|url\((?!#)", path_svg())


def test_markup_in_a_name_stays_text():
    run = dataclasses.replace(made_run(), nodes=("<b>tab</b>", "$x_1$", "ambient"))
    svg = to_svg(record_figure(run), 'a "quoted" <description>')
    assert "<b>" not in svg
    assert "&lt;b&gt;tab&lt;/b&gt;" in svg
    assert "$x_1$" in svg
    assert "<description>" not in svg


def test_png_is_written(tmp_path: Path):
    written = save_png(path_figure(heat_path(spans())), tmp_path / "päth 1.png")
    assert written.read_bytes().startswith(b"\x89PNG")


@given(st.lists(st.floats(0, 100), min_size=1, max_size=8))
def test_labels_never_stand_on_each_other(wanted: list[float]):
    places = spread_labels(wanted, 5.0, 0.0, 100.0)
    assert (np.diff(sorted(places)) >= 5.0 - 1e-6).all()
    assert min(places) >= -1e-9


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("role", ["ink", "soft", "over-text", "open-text", "sound-text"])
def test_text_has_the_contrast_that_wcag_asks_for(palette: dict[str, str], role: str):
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text; formula of its definitions.
    for ground in ("paper", "wash"):
        assert contrast(palette[role], palette[ground]) >= 4.5


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_the_curve_colours_of_decisions_stand_out(palette: dict[str, str]):
    # WCAG 2.2, 1.4.11: 3 to 1 for what a picture needs to be understood.
    for role in ("measured", "over", "ink", "soft"):
        assert contrast(palette[role], palette["paper"]) >= 3


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def luminance(colour: str) -> float:
    channels = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])
