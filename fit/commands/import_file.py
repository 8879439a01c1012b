"""`heatrun import`: a run folder from any other logger's delimited file."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from fit.commands.options import SetValues
from fit.output.verbosity import remark


class TimeUnit(StrEnum):
    """Units of a time column."""

    s = "s"
    ms = "ms"
    min = "min"
    h = "h"
    iso = "iso"


class TemperatureUnit(StrEnum):
    """Units of a temperature column."""

    degC = "degC"
    K = "K"
    degF = "degF"


def command(
    file: Annotated[Path, typer.Argument(help="The other logger's file.", show_default=False)],
    *,
    time: Annotated[
        list[str],
        typer.Option(
            metavar="COL",
            help="Column of the time: its name, or its number counted from 1. "
            "Twice for a date and a time of day in two columns.",
            show_default=False,
        ),
    ],
    node: Annotated[
        list[str],
        typer.Option(
            metavar="NAME=COL",
            help="A node and its temperature column; once per node, in the order of the heat "
            "path, heat source first, 'ambient' last.",
            show_default=False,
        ),
    ],
    power: Annotated[
        str | None,
        typer.Option(
            metavar="COL|WATTS",
            help="Column of the power, or the power as a number (4.2 or 4W). A whole number is a "
            "column where all columns are given by number.",
            show_default=False,
        ),
    ] = None,
    source: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=COL",
            help="A source and the column of its power, in place of --power; once per source, "
            "named as in the budget.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Run folder to create; refused if it exists. Default: runs/<UTC start>_<label>.",
            show_default=False,
        ),
    ] = None,
    label: Annotated[
        str | None, typer.Option(help="Name of the run; default: the file's.", show_default=False)
    ] = None,
    unit: Annotated[
        str | None, typer.Option(metavar="NAME", help="Serial number of the unit it was.")
    ] = None,
    values: SetValues = None,
    time_unit: Annotated[
        TimeUnit | None,
        typer.Option(help="Unit of the time column; default: iso for stamps, else s."),
    ] = None,
    time_format: Annotated[
        str | None,
        typer.Option(
            metavar="FORM", help="Form of stamps that are not ISO 8601, as '%d.%m.%Y %H:%M:%S'."
        ),
    ] = None,
    temperature_unit: Annotated[
        TemperatureUnit | None,
        typer.Option(
            help="Unit of the temperature columns; default: what the file says of each, else degC."
        ),
    ] = None,
    power_unit: Annotated[
        str,
        typer.Option(
            metavar="UNIT",
            help="Unit of the power, such as percent of drive; the resistances then carry it.",
        ),
    ] = "W",
    power_on: Annotated[
        float | None,
        typer.Option(
            metavar="T",
            help="A stated power steps on at T seconds after the first reading; default: on from "
            "the first reading.",
        ),
    ] = None,
    power_off: Annotated[
        float | None,
        typer.Option(metavar="T", help="A stated power steps off at T seconds."),
    ] = None,
    supply_voltage: Annotated[
        str | None,
        typer.Option(metavar="COL", help="Column of the supply's volts, in place of --power."),
    ] = None,
    supply_current: Annotated[
        str | None, typer.Option(metavar="COL", help="Column of the supply's amperes.")
    ] = None,
    match_u: Annotated[
        float,
        typer.Option(
            metavar="U",
            min=0,
            max=0.5,
            help="How alike the thermocouples read: relative standard uncertainty of each one's "
            "rise, such as 0.004; 0 takes them as exact. Runs imported alike, with this stated, "
            "count as one rig in 'compare'.",
        ),
    ] = 0.0,
    power_u: Annotated[
        float,
        typer.Option(
            metavar="U",
            min=0,
            max=0.5,
            help="Relative standard uncertainty of the power, such as 0.005; 0 takes it as exact.",
        ),
    ] = 0.0,
    delimiter: Annotated[
        str | None,
        typer.Option(metavar="MARK", help="Between cells: , ; | tab blank; default: found."),
    ] = None,
    decimal: Annotated[
        str | None, typer.Option(metavar="MARK", help="Decimal mark, . or ,; default: found.")
    ] = None,
    encoding: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Text encoding; default: UTF-8, else cp1252."),
    ] = None,
    skip: Annotated[int, typer.Option(metavar="N", min=0, help="Pass over the first N lines.")] = 0,
    missing: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TEXT",
            help="A cell that stands for no reading, such as OL; empty cells and NaN do anyway.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Make a run folder of any other logger's delimited file.

    Delimiter, header, decimal mark and encoding are found from the columns that are asked for.
    Readings stay as they are, but for their unit. Prints the run folder; what was found and what
    was left out goes to standard error.

    heatrun import log.csv --time Time --node tab=T1 --node case=T2 --power 4.2 --power-on 120
    """
    from fit.records.imports.convert import Columns, import_file
    from fit.records.imports.delimited import Format
    from fit.records.labels import stated_labels

    imported = import_file(
        file,
        Columns(
            time=tuple(time),
            nodes=_pairs(node, "--node", "tab=T1"),
            power=power,
            supply_V=supply_voltage,
            supply_A=supply_current,
            sources=_pairs(source or [], "--source", "charger=P1"),
            time_unit=time_unit.value if time_unit else None,
            time_format=time_format,
            temperature_unit=temperature_unit.value if temperature_unit else None,
            power_unit=power_unit,
            power_on_s=power_on,
            power_off_s=power_off,
            match_u=match_u,
            power_u=power_u,
            format=Format(
                delimiter=_delimiter(delimiter),
                decimal=_decimal(decimal),
                encoding=encoding,
                skip_lines=skip,
                missing=tuple(missing or ()),
            ),
            labels=stated_labels(unit, values),
        ),
        out,
        label,
    )
    typer.echo(imported.folder)
    remark(f"{imported.readings} readings over {imported.duration_s:.6g} s from {file}")
    for sentence in imported.notes:
        remark(f"  {sentence}")
    for sentence in imported.left_out:
        remark(f"  left out: {sentence}")


def _pairs(pairs: list[str], option: str, example: str) -> dict[str, str]:
    """What NAME=COL says, in its order."""
    columns: dict[str, str] = {}
    for pair in pairs:
        name, equals, column = pair.partition("=")
        if not (name and equals and column):
            raise typer.BadParameter(
                f"{pair!r}: write NAME=COL, such as {example}", param_hint=option
            )
        if name in columns:
            raise typer.BadParameter(f"{name!r} is given twice", param_hint=option)
        columns[name] = column
    return columns


def _delimiter(mark: str | None) -> str | None:
    names = {"tab": "\t", "\\t": "\t", "blank": " ", "space": " ", "comma": ",", "semicolon": ";"}
    mark = names.get(mark, mark) if mark else None
    if mark is not None and len(mark) != 1:
        raise typer.BadParameter(
            f"{mark!r}: give one character, tab or blank", param_hint="--delimiter"
        )
    return mark


def _decimal(mark: str | None) -> str | None:
    mark = {"point": ".", "comma": ","}.get(mark, mark) if mark else None
    if mark not in (None, ".", ","):
        raise typer.BadParameter(f"{mark!r}: give . or ,", param_hint="--decimal")
    return mark
