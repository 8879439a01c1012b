"""`heatrun demo`: the whole job with no hardware."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fit.notation import digits, with_expanded
from fit.output.verbosity import is_quiet

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from bench.demo import Demonstration


class Fault(StrEnum):
    """What is wrong with the virtual prototype."""

    none = "none"
    pad = "pad"
    sensor = "sensor"
    power = "power"
    sharing = "sharing"
    die = "die"


class Scenario(StrEnum):
    """Which virtual prototype."""

    one_part = "one-part"
    two_parts = "two-parts"
    junction = "junction"


WRONG = {
    Fault.none: "nothing is wrong with it",
    Fault.pad: "its pad has poor contact: 1.8 times the resistance it should have",
    Fault.sensor: "the thermocouple on its bar hangs loose",
    Fault.power: "its supply reads the current low",
    Fault.die: "the solder under its die has voids: 1.6 times the resistance it should have",
}
WRONG_OF_TWO = WRONG | {
    Fault.pad: "the charger's pad has poor contact: 1.8 times the resistance it should have",
    Fault.sensor: "the thermocouple on the regulator's board hangs loose",
    Fault.power: "both supplies read the current low",
    Fault.sharing: "the charger's supply reads the current low, the regulator's does not",
}


VERDICTS = {
    "poor-contact": "'{where}' is the poor contact",
    "high-resistance": "'{where}' has too high a resistance",
    "sensor-placement": "the thermocouple on '{where}' is not where it should be",
    "power-error": "the power reading is off",
    "power-sharing": "the power reading of '{where}' is off",
    "weak-cooling": "'{where}' cools too little",
}


def command(
    fault: Annotated[Fault, typer.Option(help="What is wrong with the prototype.")] = Fault.none,
    seed: Annotated[
        int, typer.Option(min=0, help="Another unit: its own resistances, offsets and noise.")
    ] = 1,
    scenario: Annotated[
        Scenario,
        typer.Option(
            help="The prototype: with one power part, two on one bar, or one whose junction is "
            "read by its forward voltage."
        ),
    ] = Scenario.one_part,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Run folder to create [default: runs/<UTC start>_<label>].",
            show_default=False,
        ),
    ] = None,
) -> None:
    """The whole job with no hardware, on a virtual prototype.

    It is logged, fitted, checked and reported. The prototype and all its data are invented. It
    sits behind real serial ports and is logged as any other, but its clock runs fast: two hours
    on the bench take seconds.
    """
    from datetime import UTC, datetime

    from rich.console import Console

    from bench.demo import LABEL, run_demo
    from bench.virtual.scenarios import SCENARIOS
    from fit.errors import InputError
    from fit.records.run_folder import default_folder

    folder = out or default_folder(f"{LABEL} {fault.value}", datetime.now(UTC))
    if folder.exists():
        raise InputError(folder, "", "exists already", "a run never writes over another")
    for own, of, where in (
        (Fault.sharing, "several sources", Scenario.two_parts),
        (Fault.die, "a junction that is measured", Scenario.junction),
    ):
        if fault == own and scenario != where:
            problem = f"'{own.value}' is of {of}"
            raise InputError("--fault", "", problem, f"add --scenario {where.value}")
    console = Console(highlight=False)
    console.print("A virtual charge controller on a virtual bench: all data are invented.")
    console.print("Its clock runs fast: hours on the bench take seconds here.\n")
    quiet = is_quiet()
    done = run_demo(
        fault.value,
        seed,
        folder,
        lambda line: None if quiet else console.print(f"  {line}", markup=False),
        SCENARIOS[scenario],
    )
    _show(console, done, scenario)


def _show(console: Console, done: Demonstration, scenario: Scenario) -> None:
    from fit.output.terminal.check import print_verdict
    from fit.records.run_folder import REPORT

    wrong = WRONG_OF_TWO if scenario == Scenario.two_parts else WRONG
    console.print()
    print_verdict(console, done.verdict)
    console.print()
    console.print(
        f"The prototype's hidden truth (seed {done.unit.seed}): {wrong[Fault(done.unit.fault)]}."
    )
    console.print(_truth_table(done))
    console.print()
    console.print(f"[bold]Verdict:[/] {_verdict(done)}.")
    console.print(f"Done in {done.took_s:.0f} s. Run folder: {done.folder}", soft_wrap=True)
    if (done.folder / REPORT).exists():
        console.print(f"Open {done.folder / REPORT} in a browser.", soft_wrap=True)
    if done.unit.fault == Fault.none:
        which = "" if scenario == Scenario.one_part else f" --scenario {scenario.value}"
        console.print(f"Now with something wrong: heatrun demo{which} --fault pad")


def _verdict(done: Demonstration) -> str:
    """The outcome in one sentence."""
    lead = next((one for one in done.verdict.findings if one.lead), None)
    if lead is not None:
        return VERDICTS.get(lead.kind, lead.text).format(where=lead.where)
    if done.verdict.decision == "conforming":
        return "all is in budget"
    return f"{done.verdict.decision}, and nothing stands out as the cause"


def _truth_table(done: Demonstration) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("span")
    for heading in ("truth, K/W", "measured, K/W", "difference"):
        table.add_column(heading, justify="right")
    for span in done.spans:
        if span.measured_K_per_W is not None and span.error is not None:
            table.add_row(
                span.name,
                digits(span.true_K_per_W),
                with_expanded(span.measured_K_per_W, span.measured_u_K_per_W or 0.0),
                f"{100 * span.error:+z.1f} %",
            )
    return table
