"""A rating of a product of several parts, for people and for programs (`heatrun.rate/1`)."""

from __future__ import annotations

from dataclasses import asdict
from functools import partial
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from fit.assessment.decision import probability_in_words
from fit.notation import UNKNOWN, digits, fixed, with_expanded
from fit.output.terminal.check import STYLE, fitting
from fit.output.terminal.rating import SCHEMA
from fit.rating.branch_profile import BranchProfile
from fit.rating.branches import BranchRating, SourceRating


def branch_rate_document(rating: BranchRating) -> dict[str, Any]:
    """The rating as `heatrun.rate/1`; of each source, in place of one junction.

    Args:
        rating: of a product of several parts.

    Returns:
        The document, of plain Python values.
    """
    node, ambient, degC, limit = rating.touched
    names = [source.name for source in rating.sources]
    return {
        "schema": SCHEMA,
        "title": rating.budget.title,
        "power_W": sum(source.power_W for source in rating.sources),
        "ambient_degC": rating.ambient_degC,
        "tested": {
            "power_W": float(rating.tested_power_W.sum()),
            "ambient_degC": rating.tested_degC,
            "sources": dict(zip(names, rating.tested_power_W.tolist(), strict=True)),
        },
        "nodes": {one: {"degC": at.value, "u_K": at.u} for one, at in rating.nodes.items()},
        "sources": {source.name: _source_document(source) for source in rating.sources},
        "touch": {
            "node": node,
            "ambient_degC": ambient,
            "degC": degC.value,
            "u_K": degC.u,
            "limit_degC": limit,
        },
        "common_factor": None if rating.common_factor is None else asdict(rating.common_factor),
        "power_map": {"sources": names, "W": rating.power_map_W.tolist()},
        "profile": None if rating.profile is None else _profile_document(rating.profile),
        "missing": list(rating.missing),
        "cautions": list(rating.cautions),
        "warnings": [],
    }


def _profile_document(result: BranchProfile) -> dict[str, Any]:
    return {
        "file": str(result.profile.path),
        "repeat": result.profile.repeat,
        "mean_W": result.profile.mean_W,
        "sources": {
            one.name: {
                "node": one.node,
                "mean_W": one.mean_W,
                "peak_degC": one.peak_degC,
                "peak_u_K": one.peak_u_K,
                "peak_t_s": one.peak_t_s,
                "limit_degC": one.limit_degC,
                "power_W": result.power_W[:, s].tolist(),
                "degC": result.source_degC[:, s].tolist(),
            }
            for s, one in enumerate(result.sources)
        },
        "case_peak_degC": float(result.skin_degC.max()),
        "allowable_factor": result.allowable_factor,
        "allowable_factor_u": result.allowable_factor_u,
        "t_s": result.t_s.tolist(),
        "case_degC": result.skin_degC.tolist(),
    }


def _source_document(source: SourceRating) -> dict[str, Any]:
    allowable = source.allowable_power_W
    return {
        "node": source.node,
        "power_W": source.power_W,
        "degC": source.degC.value,
        "u_K": source.degC.u,
        "limit_degC": source.limit_degC,
        "p_within": source.p_within,
        "decision": source.decision,
        "allowable_power_W": None if allowable is None else asdict(allowable),
    }


def print_branch_rating(console: Console, rating: BranchRating) -> None:
    """Print temperatures of every part, allowable powers, missing inputs, and the cautions.

    Args:
        console: where to.
        rating: of a product of several parts.
    """
    power = ", ".join(f"{escape(one.name)} {digits(one.power_W)} W" for one in rating.sources)
    console.print(
        f"[bold]{escape(rating.budget.title or rating.budget.path.name)}[/]\n"
        f"{power} at {rating.ambient_degC:g} °C ambient, from a run at "
        f"{digits(rating.tested_power_W.sum())} W in all, {rating.tested_degC:z.1f} °C"
    )
    if rating.common_factor is not None:
        factor = with_expanded(rating.common_factor.value, rating.common_factor.u)
        console.print(f"[bold]Allowable: {factor} times all these powers together[/]")
    console.print()
    console.print(fitting(console, partial(_sources, rating)))
    if len(rating.power_map_W):
        console.print()
        console.print(_map(rating))
    if rating.profile is not None:
        _print_profile(console, rating.profile, rating.touched[0])
    node, ambient, degC, limit = rating.touched
    stated = "" if limit is None else f"; its limit is {limit:g} °C"
    touched = f"{with_expanded(degC.value, degC.u)} °C{stated}"
    console.print(f"\n{node} to touch, in air of {ambient:g} °C: {touched}")
    for label, texts in (("Missing", rating.missing), ("Caution", rating.cautions)):
        for text in texts:
            console.print(f"[bold]{label}:[/] {escape(text)}")


def _print_profile(console: Console, result: BranchProfile, touched: str) -> None:
    how = "over and over" if result.profile.repeat else "once, from cold"
    console.print(
        f"\n[bold]Profile {escape(result.profile.path.name)}[/], {how}, mean "
        f"{digits(result.profile.mean_W)} W in all; "
        f"{escape(touched)} at most {result.skin_degC.max():z.1f} °C"
    )
    for one in result.sources:
        console.print(
            f"{escape(one.name)}: {one.node} at most {with_expanded(one.peak_degC, one.peak_u_K)} "
            f"°C, at {digits(one.peak_t_s, 4)} s"
        )
    if result.allowable_factor is not None and result.allowable_factor_u is not None:
        factor = with_expanded(result.allowable_factor, result.allowable_factor_u)
        console.print(
            f"All its powers may be {factor} times as high before the first limit is reached."
        )


def _sources(rating: BranchRating, narrow: bool = False) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("source")
    if not narrow:
        table.add_column("node")
    for heading in ("W", "°C, k = 2", "limit\n°C", "p within", "allowable beside\nthe others, W"):
        table.add_column(heading, justify="right")
    table.add_column("decision")
    for one in rating.sources:
        allowable, decision = one.allowable_power_W, one.decision
        table.add_row(
            escape(one.name),
            *(() if narrow else (one.node,)),
            digits(one.power_W),
            with_expanded(one.degC.value, one.degC.u),
            UNKNOWN if one.limit_degC is None else f"{one.limit_degC:g}",
            UNKNOWN if one.p_within is None else probability_in_words(one.p_within),
            UNKNOWN if allowable is None else with_expanded(allowable.value, allowable.u),
            UNKNOWN if decision is None else f"[{STYLE[decision]}]{decision}[/]",
        )
    return table


def _map(rating: BranchRating) -> Table:
    """Which powers of two parts reach a limit together."""
    one, other = (escape(source.name) for source in rating.sources)
    table = Table(
        box=None,
        pad_edge=False,
        header_style="bold",
        title=f"{other} may make at most, beside {one}, W",
        title_justify="left",
    )
    for power, _ in rating.power_map_W:
        table.add_column(fixed(float(power), 2), justify="right")
    table.add_row(*(fixed(float(most), 2) for _, most in rating.power_map_W))
    return table
