"""The report of a run: one HTML file that refers to nothing outside itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache, partial
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from fit.errors import NotIdentifiable
from fit.notation import digits
from fit.output.path_view import PathView, heat_path
from fit.output.provenance import describe, digests, started_is_known
from fit.output.report.branch_rating import branch_rating_section
from fit.output.report.network import along_path, network_section
from fit.output.report.notes import note_rows
from fit.output.report.path_table import path_table
from fit.output.report.rating import Rated, rating_section
from fit.output.report.rows import (
    comparison_rows,
    drivers,
    pair_rows,
    source_table,
)
from fit.output.report.uncertainty_table import uncertainty_table
from fit.output.terminal.compare import per_watt as compared_watts
from fit.output.text import CAUTIONS, by_path_watt, state
from fit.output.theme import css_variables, node_colours, to_svg
from fit.records.results import write_result
from fit.records.run_folder import REPORT

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from fit.assessment.conformity import Verdict
    from fit.identification.response import Response
    from fit.measurement.branches import Branches
    from fit.measurement.spans import Spans
    from fit.output.change_words import Change
    from fit.records.run import Run
    from fit.statistics.comparison import Comparison

DESCRIPTION = {
    "path": "Heat path: temperature at every node and resistance of every span; in the table below",
    "curves": "Measured rise of every node after the power step, the fit and its residuals",
    "record": "The whole record: temperatures and power over time",
    "spectrum": "Time-constant spectrum, and heat capacity over resistance along the path",
    "comparison": "Resistance of every span in every run; in the table below",
}


@dataclass(frozen=True)
class Material:
    """Everything a report is made from; what is not known is None."""

    run: Run
    response: Response | None  # of one source
    verdict: Verdict | None
    spans: Spans | None
    path: PathView | None
    comparison: Comparison | None = None
    rated: Rated | None = None
    branches: Branches | None = None  # of several sources
    change: Change | None = None  # of two runs: whether the later one is mended


def write_report(
    run: Run,
    response: Response | None,
    verdict: Verdict | None,
    folder: Path,
    *,
    name: str = REPORT,
    comparison: Comparison | None = None,
    rated: Rated | None = None,
    branches: Branches | None = None,
) -> Path:
    """Write the report of a run whole, replacing an earlier one.

    Args:
        run: as read.
        response: identified from it; None of a run of several sources.
        verdict: of it; None where no budget was given.
        folder: of the file.
        name: of the file.
        comparison: with other runs, for a section of its own.
        rated: the rating of the verdict's run, for a section of its own.
        branches: of a run of several sources, for its rating.

    Returns:
        The file written.

    Raises:
        RecordError: the folder cannot be written.
    """
    material = gather(run, response, verdict, comparison, rated, branches=branches)
    return write_result(folder, name, render(material, draw_figures(material)))


def gather(
    run: Run,
    response: Response | None,
    verdict: Verdict | None = None,
    comparison: Comparison | None = None,
    rated: Rated | None = None,
    *,
    spans: Spans | None = None,
    branches: Branches | None = None,
    change: Change | None = None,
) -> Material:
    """Collect the material of a report; spans are measured where nobody has yet.

    Args:
        run: as read.
        response: identified from it; None of a run of several sources.
        verdict: of it; None where no budget was given.
        comparison: with other runs.
        rated: the rating of the verdict's run.
        spans: of the run, where they have been measured; the verdict's own come first.
        branches: of a run of several sources, for its rating.
        change: of two runs, whether the later one is mended.

    Returns:
        The material.
    """
    if verdict is not None:
        spans = verdict.measured
    elif spans is None:
        spans = _measured(run)
    path = heat_path(spans, verdict) if spans is not None else None
    return Material(run, response, verdict, spans, path, comparison, rated, branches, change)


def _measured(run: Run) -> Spans | None:
    from fit.measurement.spans import measure

    try:
        return measure(run)
    except NotIdentifiable:
        return None


def draw_figures(material: Material) -> dict[str, Figure]:
    """Every figure of the page that the run carries.

    Args:
        material: of the report.

    Returns:
        Figures by name; those that the run does not carry are left out.
    """
    from fit.output.figures import (
        comparison_figure,
        curves_figure,
        draw_each,
        record_figure,
        spectrum_figure,
        tree_figure,
    )

    colours = node_colours((*material.run.nodes, *material.run.off_path))
    wanted: dict[str, Callable[[], Figure]] = {}
    if material.path is not None and branched(material):
        wanted["path"] = partial(tree_figure, material.path)
    wanted["record"] = partial(record_figure, material.run, colours)
    if material.response is not None:
        wanted["curves"] = partial(curves_figure, material.response, colours)
        network = along_path(material.response, material.verdict)
        wanted["spectrum"] = partial(spectrum_figure, network, colours)
    if material.comparison is not None and len(material.comparison.runs) > 2:
        wanted["comparison"] = partial(comparison_figure, material.comparison)
    return draw_each(wanted)


def draw_tables(material: Material) -> dict[str, Figure]:
    """As figures what the page has as tables, for other documents.

    Args:
        material: of the report.

    Returns:
        Figures by name; those that the run does not carry are left out.
    """
    from fit.output.figures import (
        compared_figure,
        comparison_figure,
        draw_each,
        path_figure,
        uncertainty_figure,
    )

    wanted: dict[str, Callable[[], Figure]] = {}
    if material.path is not None:
        if not branched(material):
            wanted["path"] = partial(path_figure, material.path)
        wanted["compared"] = partial(compared_figure, material.path)
    if material.spans is not None:
        share_u, names = _share_u(material.verdict), _names(material.verdict)
        wanted["uncertainty"] = partial(uncertainty_figure, material.spans, share_u, names)
    if material.comparison is not None and len(material.comparison.runs) == 2:
        wanted["comparison"] = partial(comparison_figure, material.comparison)
    return draw_each(wanted)


def branched(material: Material) -> bool:
    """Whether branches of several sources meet on the path.

    Args:
        material: of the report.

    Returns:
        True where they do.
    """
    return material.spans is not None and material.spans.tree is not None


def cautions(rating: dict[str, object] | None) -> list[str]:
    """Every caution, each once: those of this product, then those of every heat run.

    Args:
        rating: as the template shows it, if there is one.

    Returns:
        Sentences.
    """
    own = rating.get("cautions", ()) if rating else ()
    assert isinstance(own, list | tuple)
    sentences = [f"{str(one)[0].upper()}{str(one)[1:]}." for one in own]
    return list(dict.fromkeys((*sentences, *CAUTIONS)))


def render(material: Material, figures: Mapping[str, Figure], theme: str = "") -> str:
    """The report as HTML text.

    Args:
        material: of the report.
        figures: as drawn by `draw_figures`.
        theme: "light" or "dark" whatever the reader's system asks for; "" follows it.

    Returns:
        The page, with styles and figures inside.
    """
    from markupsafe import Markup

    run, verdict, spans = material.run, material.verdict, material.spans
    rating = _rating(material)
    settled = spans.settled if spans is not None else material.response is None
    if spans is None and material.response is not None:
        settled = material.response.settled
    return str(
        _template().render(
            theme=theme,
            palette=Markup(css_variables()),
            css=Markup(_text("report.css")),
            title=verdict.prediction.budget.title if verdict else run.label,
            about=_about(material),
            statement=state(verdict),
            change=material.change,
            figures={
                key: Markup(to_svg(figures[key], words)) if key in figures else ""
                for key, words in DESCRIPTION.items()
            },
            judged=verdict is not None,
            path_table=path_table(material.path, verdict, with_nodes=not branched(material))
            if material.path
            else [],
            branched=branched(material),
            per_watt=per_watt(verdict, run.power_unit),
            settled=settled,
            sources=source_table(verdict),
            **network_section(material.response, verdict),
            uncertainty=uncertainty_table(spans, _share_u(verdict), _names(verdict)),
            drivers=drivers(verdict),
            comparison=comparison_rows(material.comparison),
            pair=pair_rows(material.comparison),
            compared=[run.path.name for run in material.comparison.runs]
            if material.comparison
            else [],
            comparison_watts=compared_watts(material.comparison) if material.comparison else "",
            rating=rating,
            operator_notes=note_rows(run),
            notes=_notes(material),
            cautions=cautions(rating),
            provenance=describe(run),
            digests=digests(run, [verdict.prediction.budget.path] if verdict else []),
        )
    )


@cache
def _template():  # type: ignore[no-untyped-def]
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=StrictUndefined
    )
    return environment.from_string(_text("report.html"))


def _text(name: str) -> str:
    return files("fit.templates").joinpath(name).read_text(encoding="utf-8")


def _rating(material: Material) -> dict[str, object] | None:
    """The rating as the template shows it, of one source or of several."""
    if material.branches is None or material.verdict is None:
        return rating_section(material.rated, material.verdict)
    return branch_rating_section(material.branches, material.verdict)


def _share_u(verdict: Verdict | None) -> float:
    """Relative standard uncertainty of the power's share on the path, where R has it not yet."""
    if verdict is None or verdict.sources is not None:
        return 0.0
    conditions = verdict.prediction.budget.conditions
    return conditions.path_fraction_u / conditions.path_fraction


def _names(verdict: Verdict | None) -> dict[tuple[str, str], str]:
    """What the budget calls each measured span, by its ends."""
    spans = verdict.spans if verdict is not None else ()
    return {(span.from_node, span.to_node): span.name for span in spans}


def per_watt(verdict: Verdict | None, power_unit: str = "W") -> str:
    """Which power the report's resistances are by.

    Args:
        verdict: of the run; None where no budget was given.
        power_unit: of the recorded power.

    Returns:
        The words.
    """
    if verdict is None:
        return "per watt recorded" if power_unit == "W" else "per unit of recorded power"
    if verdict.sources is not None:
        return "per watt that flows through each"
    return by_path_watt([verdict.prediction.budget.conditions.path_fraction])


def _about(material: Material) -> list[str]:
    """Facts beside the title: run, power, ambient, start."""
    run, response, spans = material.run, material.response, material.spans
    about = [run.label] if material.verdict else []
    found = material.verdict.sources if material.verdict else None
    if found is not None:
        named = zip(found.names, found.power_W, strict=True)
        about.append(", ".join(f"{name} {digits(power)} W" for name, power in named))
    if response is not None and response.power:
        about.append(f"{digits(response.power)} {response.power_unit}")
    if spans is not None and spans.nodes[-1] == "ambient":
        about.append(f"ambient {spans.final_degC[-1]:z.1f} °C")
    started = run.metadata.started
    if started:
        word = "" if started_is_known(run) else "imported "
        about.append(word + started.replace("T", " ")[:16] + " UTC")
    return about


def _notes(material: Material) -> list[str]:
    """What was left out, and the warnings of every room, each once."""
    run, response, verdict = material.run, material.response, material.verdict
    left_out = [*run.left_out, *(response.signals.left_out if response is not None else ())]
    notes = [f"left out: {sentence}" for sentence in left_out]
    if verdict is not None:
        notes += verdict.warnings
    elif response is not None:
        notes += response.warnings
    notes += list(material.comparison.warnings) if material.comparison else []
    return list(dict.fromkeys(notes))
