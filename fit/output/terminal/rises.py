"""What each source warms, as a table on the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.markup import escape
from rich.table import Table

from fit.notation import digits, with_expanded
from fit.records.run import Array

if TYPE_CHECKING:
    from rich.console import Console


@dataclass(frozen=True, eq=False)
class Rises:
    """Time constants, and the rise of every node by each source per unit of its power."""

    reference: str  # the node that the time constants are above
    tau_s: Array  # (K,)
    tau_u_s: Array  # (K,)
    title: str
    sources: Sequence[str]
    power: Array  # (sources,) of each while it was on
    unit: str
    nodes: Sequence[str]
    Z: Array  # (nodes, sources) [K per unit of power]
    Z_u: Array  # (nodes, sources)
    left: str  # what is left of the readings, in words


def print_rises(console: Console, rises: Rises, warnings: Sequence[str]) -> None:
    """Print time constants, the table of rises, and notes.

    Args:
        console: to print on.
        rises: as identified.
        warnings: one note each.
    """
    taus = zip(rises.tau_s, rises.tau_u_s, strict=True)
    said = ", ".join(with_expanded(float(tau), float(u)) for tau, u in taus)
    console.print(f"Time constants above {rises.reference}: {said} s")
    table = Table(
        box=None,
        pad_edge=False,
        header_style="bold",
        title=escape(rises.title),
        title_justify="left",
    )
    table.add_column("node")
    for name, power in zip(rises.sources, rises.power, strict=True):
        table.add_column(f"{escape(name)}\n({digits(power)} {escape(rises.unit)})", justify="right")
    for node, Z, Z_u in zip(rises.nodes, rises.Z, rises.Z_u, strict=True):
        cells = (with_expanded(float(R), float(u)) for R, u in zip(Z, Z_u, strict=True))
        table.add_row(node, *cells)
    console.print(table)
    console.print(f"± is the expanded uncertainty, k = 2. {rises.left}")
    for warning in warnings:
        console.print(f"[yellow]Note:[/] {escape(warning)}")
