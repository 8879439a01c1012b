"""What would have to change, as a table a person can read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.notation import digits, fixed, with_expanded

if TYPE_CHECKING:
    from rich.console import Console

    from fit.budget.target import Change, Target

UNITS = {
    "K_per_W": "K/W",
    "W_per_mK": "W/(m K)",
    "mm2": "mm²",
    "mm": "mm",
    "um": "µm",
    "MPa": "MPa",
    "GPa": "GPa",
}
"""Unit as a key ends with it, and as a person writes it; the longer ones first."""


def print_target(console: Console, target: Target) -> None:
    """Print what each free input alone would have to be, and what its next step buys.

    Args:
        console: to print on.
        target: as found.
    """
    from rich.markup import escape
    from rich.table import Table

    console.print(
        f"{target.node} comes to {with_expanded(target.now_degC, target.now_u_K)} °C at "
        f"{digits(target.power_W)} W in air of {target.ambient_degC:z.0f} °C; "
        f"wanted: {target.degC:z.1f} °C"
        f"{', which it keeps. How far each may be given back:' if target.reached else '.'}\n"
        f"Power alone: {digits(target.allowable_W)} W.\n",
        markup=False,
    )
    title = f"What alone would bring {target.node} to {target.degC:z.1f} °C"
    table = Table(box=None, pad_edge=False, title=title, title_justify="left", title_style="bold")
    table.add_column("input")
    for name in ("now", "needed", "the next step buys"):
        table.add_column(name, justify="right")
    for change in target.changes:
        name, unit = words(change.key)
        table.add_row(
            f"{name} of {escape(change.stage)}",
            _with_unit(change.value, unit, whole=change.whole),
            _needed(change, unit, reached=target.reached),
            f"{digits(change.K_per_step, 2)} K for {change.step:+g} {unit}".rstrip(),
        )
    console.print(table)
    console.print(
        "Each alone, the others as stated, at the stated values: the ± above is still to be added."
        " 'cannot' names the temperature that it comes to at best, within a tenth to ten times as"
        " stated.",
        markup=False,
    )


def words(key: str) -> tuple[str, str]:
    """A key as a person says it, and its unit.

    Args:
        key: of a stage.

    Returns:
        Name and unit, which is empty for a number without.

    >>> words("area_mm2"), words("conductivity_W_per_mK"), words("R_K_per_W"), words("count")
    (('area', 'mm²'), ('conductivity', 'W/(m K)'), ('R', 'K/W'), ('count', ''))
    """
    for ending, unit in UNITS.items():
        if key.endswith(f"_{ending}"):
            return key.removesuffix(f"_{ending}").replace("_", " "), unit
    return key.replace("_", " "), ""


def _needed(change: Change, unit: str, *, reached: bool) -> str:
    if change.needed is not None:
        return _with_unit(change.needed, unit, whole=change.whole)
    return "any" if reached else f"cannot ({change.best[1]:z.1f} °C)"


def _with_unit(value: float, unit: str, *, whole: bool) -> str:
    return f"{fixed(value, 0) if whole else digits(value)} {unit}".rstrip()
