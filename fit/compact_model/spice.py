"""The fitted network as a SPICE subcircuit: amperes are watts, volts are kelvins."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Literal

from fit.errors import NotIdentifiable
from fit.identification.response import Response
from fit.network.foster import foster_to_cauer
from fit.network.passivity import nearest_passive
from fit.network.topology import Array, Topology, chain

Form = Literal["foster", "cauer"]

_GROUND_NAMES = {"gnd", "gnd!", "0"}
_INSIDE = re.compile(r"(inner|lowpass|sum)(_\d+)+")


def netlist(
    response: Response, form: Form = "foster", name: str = "heat_path", outputs: bool = False
) -> str:
    """The network of the heated node as a `.subckt` that any SPICE reads.

    The first pin is the heated node, the second the reference. Drive the first with one ampere a
    watt, and the second with the reference's temperature in volts, or ground it to get rises.

    Args:
        response: the identified network.
        form: "foster" is the fit itself, term by term; "cauer" the ladder with the same impedance,
            or the nearest to it where the fit has negative terms.
        name: name of the subcircuit; characters that SPICE does not allow become underscores.
        outputs: add a pin for each further node, which follows its temperature and loads nothing.

    Returns:
        The subcircuit's lines, ending with a newline.

    Raises:
        NotIdentifiable: the heated node does not rise: there is no network.
    """
    if not response.foster_R_K_per_W.sum() > 0:
        raise NotIdentifiable(
            f"{response.foster_node} does not rise with the power: there is no network to write"
        )
    further = [response.nodes[j] for j in _further(response)] if outputs else []
    heated, reference, *others = _pins([response.foster_node, response.reference, *further])
    title = identifier(name)
    # A source of no voltage reads the heat that flows in.
    source = "inner_0" if outputs else heated
    lines = [
        *_head(response, form),
        f".subckt {' '.join([title, heated, reference, *others])}",
        *([f"Vheat {heated} {source} 0"] if outputs else []),
        *(_foster if form == "foster" else _cauer)(response, source, reference),
        *(_outputs(response, reference, others) if outputs else ()),
        f".ends {title}",
    ]
    return "\n".join(lines) + "\n"


def _head(response: Response, form: Form) -> Iterator[str]:
    heated, reference = response.foster_node, response.reference
    node = response.nodes.index(heated)
    total, u = response.total_K_per_W[node], response.total_u_K_per_W[node]
    unit = response.power_unit
    yield f"* {form.capitalize()} network of {heated} against {reference}, fitted to a heat run"
    yield f"* 1 A = 1 {unit} of recorded power, 1 V = 1 K, ohm = K/{unit}, farad = {unit} s/K"
    yield f"* total {total:.5g} K/{unit}, standard uncertainty {u:.2g}"
    yield "* linear: true near the run's own temperatures; a hotter case sheds heat better"
    if not response.settled:
        yield "* the record ended before it settled: the slow part is an extrapolation"


def _foster(response: Response, heated: str, reference: str) -> Iterator[str]:
    terms = _terms(response)
    places = [heated, *(f"inner_{k}" for k in range(1, len(terms))), reference]
    for k, (R, tau) in enumerate(terms, 1):
        if R < 0:
            yield "* negative: the sensor lags, or the case sheds heat better as it warms"
        yield f"R{k} {places[k - 1]} {places[k]} {R:.12g}"
        yield f"C{k} {places[k - 1]} {places[k]} {tau / R:.12g}"


def _cauer(response: Response, heated: str, reference: str) -> Iterator[str]:
    passive = nearest_passive(response.foster_R_K_per_W, response.foster_tau_s)
    for sentence in passive.taken_out:
        yield f"* {sentence}"
    steps, capacities = foster_to_cauer(passive.R_K_per_W, passive.tau_s)
    ladder = chain([heated, *(f"inner_{k}" for k in range(1, len(steps))), reference])
    yield from _elements(ladder, steps, capacities)


def _elements(network: Topology, R: Array, C: Array) -> Iterator[str]:
    """Every node's capacity to the reference, and every link, in the links' order."""
    written: set[str] = set()
    for k, ((start, end), resistance) in enumerate(zip(network.links, R, strict=True), 1):
        if start not in written:
            node = network.index(start)
            yield f"C{node + 1} {start} {network.reference} {C[node]:.12g}"
        written.add(start)
        yield f"R{k} {start} {end} {resistance:.12g}"


def _outputs(response: Response, reference: str, pins: list[str]) -> Iterator[str]:
    """Each further node as a weighted sum of the same low-passes of the heat that flows in."""
    yield "* further nodes: the heat low-passed by each time constant, then weighted and summed"
    for k, tau in enumerate(response.tau_s.tolist(), 1):
        yield f"Fx{k} {reference} lowpass_{k} Vheat 1"
        yield f"Rx{k} lowpass_{k} {reference} 1"
        yield f"Cx{k} lowpass_{k} {reference} {tau:.12g}"
    for pin, j in zip(pins, _further(response), strict=True):
        weights = response.resistance_K_per_W[j]
        places = [reference, *(f"sum_{j}_{k}" for k in range(1, len(weights))), pin]
        for k, weight in enumerate(weights.tolist(), 1):
            yield f"E{j}_{k} {places[k]} {places[k - 1]} lowpass_{k} {reference} {weight:.12g}"


def _further(response: Response) -> list[int]:
    """Indices of all nodes but the heated one."""
    return [j for j, node in enumerate(response.nodes) if node != response.foster_node]


def _terms(response: Response) -> list[tuple[float, float]]:
    """Foster resistances and time constants of the heated node, without empty terms."""
    pairs = zip(response.foster_R_K_per_W.tolist(), response.foster_tau_s.tolist(), strict=True)
    return [(R, tau) for R, tau in pairs if R != 0.0]


def _pins(nodes: list[str]) -> list[str]:
    """A pin for each node, no two alike and none like a place inside."""
    pins: list[str] = []
    for node in nodes:
        pin = f"{node}_" if node.lower() in _GROUND_NAMES else identifier(node)
        while pin in pins or _INSIDE.fullmatch(pin):
            pin += "_"
        pins.append(pin)
    return pins


def identifier(name: str) -> str:
    """A name as SPICE allows it.

    Args:
        name: any text.

    Returns:
        Letters, digits and underscores, a letter first.
    """
    plain = re.sub(r"\W+", "_", name, flags=re.ASCII).strip("_").lower() or "heat_path"
    return plain if plain[0].isalpha() else f"n_{plain}"
