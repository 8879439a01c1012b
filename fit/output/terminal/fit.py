"""An identified run as a person reads it in a terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import zip_longest

from rich.console import Console, RenderableType
from rich.markup import escape
from rich.table import Table

from fit.identification.residuals import describe_residual
from fit.identification.response import Response
from fit.measurement.resolution import NOT_RESOLVED, are_resolved
from fit.notation import digits, fixed, with_expanded
from fit.output.documents import Ladder, heated_ladder, resistance_unit
from fit.records.run import Array, Run

WHY = {
    "close": "too close to the next",
    "faster": "faster than a scan",
    "beyond": "longer than the record",
    "loose": "no finite interval",
    "faint": "no clear share in any node",
}


def print_response(
    console: Console,
    run: Run,
    response: Response,
    intervals_s: Array,
    method: str,
    *,
    asked: int | None = None,
) -> None:
    """Print time constants, resistances, networks, residuals, and what was left out and why.

    Args:
        console: where to.
        run: as read.
        response: as identified.
        intervals_s: 95 % interval of each time constant (K, 2) [s].
        method: how the intervals were found.
        asked: how many time constants the user asked for; None where the data decided.
    """
    doubtful = _doubtful(response) if asked else {}
    unit = resistance_unit(response.power_unit)
    ladder = heated_ladder(response) if response.power else None
    console.print(_headline(run, response), highlight=False)
    tables: dict[str, Sequence[RenderableType]] = {
        f"Time constants, 95 % intervals ({method})": [
            _time_constants(response, intervals_s, doubtful)
        ]
    }
    if doubtful:
        names = ", ".join(f"τ{k + 1}" for k in sorted(doubtful))
        console.print(
            f"[yellow]Not supported by the data:[/] {names}, {len(doubtful)} of the {asked} time "
            "constants asked for. Take no resistance from this fit; leave out --order for what "
            "the record carries."
        )
    if response.power:
        title = f"Resistance above {_reference(response)}"
        if not response.settled:
            title += ", as far as the record shows it"
        tables[title] = _nodes(response, unit, console.width)
        about = [f"[yellow]Cauer ladder:[/] {one}" for one in _about_ladder(ladder)]
        tables[f"Networks of {response.foster_node}"] = [
            _networks(response, ladder, unit),
            *about,
        ]
    tables["What is left after the fit"] = [_residuals(response)]
    for title, parts in tables.items():
        console.print(f"\n[bold]{escape(title)}[/]")
        for part in parts:
            console.print(part, highlight=False)
    _sentences(console, "Left out", response.signals.left_out)
    _sentences(console, "Not resolved", response.not_resolved)
    _sentences(console, "Note", response.warnings)
    console.print(
        "\n± is the expanded uncertainty of the fit alone, k = 2: what offsets, match and power "
        f"reading add to a span, 'check' counts. {_per_power(response, unit)}".rstrip()
    )


def _per_power(response: Response, unit: str) -> str:
    if not response.power:
        return ""
    if response.power_unit == "W":
        return "K/W: per watt of recorded power."
    return f"{unit}: per unit of recorded power."


def _headline(run: Run, response: Response) -> str:
    t_s = response.signals.t_s
    power = f"{digits(response.power, 4)} {response.power_unit} while heating"
    parts = [
        f"{len(run.t_s)} readings over {_duration(float(t_s[-1] - t_s[0]))}",
        power if response.power else "no power",
        f"reference {_reference(response)}",
    ]
    if not response.settled:
        parts.append("not settled")
    return f"[bold]{escape(run.label)}[/]: " + escape(", ".join(parts))


def _reference(response: Response) -> str:
    return response.reference or "its own start"


def _doubtful(response: Response) -> dict[int, str]:
    """Index of each time constant that the data do not support, and why in a word or two."""
    return {doubt.index: WHY[doubt.kind] for doubt in response.doubts}


def _time_constants(response: Response, intervals_s: Array, doubtful: Mapping[int, str]) -> Table:
    table = _table(("", "τ, s", "from", "to", *(["not supported"] if doubtful else [])))
    for k, (tau, (low, high)) in enumerate(zip(response.tau_s, intervals_s, strict=True), start=1):
        why = [doubtful.get(k - 1, "")] if doubtful else []
        table.add_row(f"τ{k}", _digits(tau), _digits(low), _digits(high), *why)
    return table


def _nodes(response: Response, unit: str, width: int) -> list[Table]:
    """Every node's total, and its share at each time constant: below one another where too wide."""
    order = len(response.tau_s)
    for each in range(order, 0, -1):
        firsts = range(0, order, each)
        tables = [_node_columns(response, unit, k, min(k + each, order)) for k in firsts]
        if max(_wide(table) for table in tables) <= width:
            break
    return tables


def _node_columns(response: Response, unit: str, first: int, beyond: int) -> Table:
    """The columns of time constants first to beyond, the total before the first of all."""
    total = [f"R, {unit}"] if first == 0 else []
    table = _table(("node", *total, *(f"at τ{k + 1}" for k in range(first, beyond))))
    resolved = are_resolved(response.total_K_per_W, response.total_u_K_per_W)
    for j, node in enumerate(response.nodes):
        value = with_expanded(float(response.total_K_per_W[j]), float(response.total_u_K_per_W[j]))
        cells = [value if resolved[j] else NOT_RESOLVED] if first == 0 else []
        cells += map(_digits, response.resistance_K_per_W[j, first:beyond])
        table.add_row(escape(node), *cells)
    return table


def _wide(table: Table) -> int:
    """Columns that a table takes where it has all it wants."""
    boundless = Console(width=10_000)
    return boundless.measure(table).maximum


def _networks(response: Response, ladder: Ladder | None, unit: str) -> Table:
    capacity = "J/K" if response.power_unit == "W" else f"{response.power_unit}·s/K"
    foster = [
        (str(k), _term(response, float(R), float(u)), _digits(tau))
        for k, (R, u, tau) in enumerate(
            zip(
                response.foster_R_K_per_W,
                response.foster_R_u_K_per_W,
                response.foster_tau_s,
                strict=True,
            ),
            start=1,
        )
    ]
    if ladder is None:
        table = _table(("Foster", f"R, {unit}", "τ, s"))
        for row in foster:
            table.add_row(*row)
        return table
    table = _table(("Foster", f"R, {unit}", "τ, s", "Cauer", f"R, {unit}", f"C, {capacity}"))
    cauer = [
        (str(k), _digits(R), _digits(C))
        for k, (R, C) in enumerate(zip(ladder.R_K_per_W, ladder.C_J_per_K, strict=True), start=1)
    ]
    nothing = ("", "", "")
    for left, right in zip_longest(foster, cauer, fillvalue=nothing):
        table.add_row(*left, *right)
    return table


def _term(response: Response, R_K_per_W: float, u_K_per_W: float) -> str:
    """A term of the Foster network; none where it is the one that the total is not resolved by."""
    node = response.nodes.index(response.foster_node)
    total, total_u = response.total_K_per_W[[node]], response.total_u_K_per_W[[node]]
    if u_K_per_W > abs(R_K_per_W) and not are_resolved(total, total_u)[0]:
        return NOT_RESOLVED
    return with_expanded(R_K_per_W, u_K_per_W)


def _about_ladder(ladder: Ladder | None) -> Sequence[str]:
    if ladder is None:
        return ("none: the heated node does not rise, or its terms lie too close together",)
    return ladder.network.taken_out


def _residuals(response: Response) -> Table:
    table = _table(("node", "rms, K", "largest, K", "at, s", "neighbours correlate", ""))
    for j, node in enumerate(response.nodes):
        left = describe_residual(response.signals.t_s, response.residual_K[:, j])
        table.add_row(
            escape(node),
            digits(left.rms_K),
            digits(left.largest_K, 2, sign=True),
            f"{left.largest_at_s:.6g}",
            fixed(left.autocorrelation, 2, sign=True),
            "white" if left.is_white else "not white",
        )
    return table


def _table(headings: Sequence[str]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim")
    for place, heading in enumerate(headings):
        table.add_column(heading, justify="left" if place == 0 else "right", overflow="fold")
    return table


def _sentences(console: Console, title: str, sentences: Sequence[str]) -> None:
    if sentences:
        console.print()
    for sentence in sentences:
        console.print(f"[yellow]{title}:[/] {escape(sentence)}", highlight=False)


def _digits(value: float) -> str:
    return digits(float(value), 4)


def _duration(seconds: float) -> str:
    if seconds < 300:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
