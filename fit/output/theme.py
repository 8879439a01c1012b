"""The common style of every figure and page: colours by role, how a figure is made and saved.

Roles have colours of Okabe and Ito's set for colour-blind readers (Okabe & Ito 2008, "Color
Universal Design: how to make figures and presentations that are friendly to colorblind people"),
with greys of our own. Nodes have eight colours of their own, each at 3:1 or more against the page,
light and dark (WCAG 2.2, 1.4.11). Colour is never the only mark: every curve has its name beside
it, every decision its word.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from fit.errors import RecordError
from fit.records.run_folder import not_created

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.identification.response import Response

LIGHT = {
    "paper": "#ffffff",
    "wash": "#eef1f3",
    "hair": "#cfd5d9",
    "soft": "#566069",
    "ink": "#1b2227",
    "measured": "#0072b2",
    "band": "#cce3f0",
    "over": "#d55e00",
    "over-text": "#a84300",
    "open": "#e69f00",
    "open-text": "#805700",
    "sound": "#009e73",
    "sound-text": "#00694c",
    "node-1": "#0069a8",
    "node-2": "#956a00",
    "node-3": "#008561",
    "node-4": "#b8488c",
    "node-5": "#3f4a53",
    "node-6": "#6a4fc0",
    "node-7": "#8a4b2a",
    "node-8": "#0d7f93",
}
"""Role -> colour on a light page, in print and in every PNG."""

DARK = LIGHT | {
    "paper": "#14191c",
    "wash": "#20272c",
    "hair": "#3d474e",
    "soft": "#a7b1b8",
    "ink": "#e8ecee",
    "measured": "#56b4e9",
    "band": "#1f4259",
    "over": "#ef7c22",
    "over-text": "#ff9c55",
    "open-text": "#f0b93a",
    "sound": "#17b98b",
    "sound-text": "#3fd0a5",
    "node-1": "#5ab4ea",
    "node-2": "#e3ac45",
    "node-3": "#2cc295",
    "node-4": "#e48fc0",
    "node-5": "#c9d1d6",
    "node-6": "#ab9bf2",
    "node-7": "#d09a7a",
    "node-8": "#52c4d6",
}
"""Role -> colour on a dark page."""

NODES = tuple(role for role in LIGHT if role.startswith("node-"))
"""Roles of the nodes' curves, hottest node first."""

WIDTH_IN = 4.8
"""As wide as a phone: text keeps its size there, and two figures stand side by side on a desk."""

LETTER_IN = 0.076  # of a name in the figures' size of text: 0.6 of its height, as digits are
LONGEST_NAME = 24  # characters: half of the figure is left for the curves
LEADER_IN = 0.3  # from a curve's end to its name, and a margin

RC: Any = {  # sizes in points, for text that is read at the figure's own width
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial"],
    "axes.axisbelow": True,
    "font.size": 9.0,
    "grid.color": LIGHT["hair"],
    "grid.linewidth": 0.6,
    "svg.fonttype": "none",
    "text.parse_math": False,
    "axes.edgecolor": LIGHT["hair"],
    "axes.labelcolor": LIGHT["soft"],
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlelocation": "left",
    "axes.titlesize": 9.5,
    "axes.titlecolor": LIGHT["ink"],
    "text.color": LIGHT["ink"],
    "xtick.color": LIGHT["hair"],
    "ytick.color": LIGHT["hair"],
    "xtick.labelcolor": LIGHT["soft"],
    "ytick.labelcolor": LIGHT["soft"],
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
}


TIME_UNITS = ((3 * 3600.0, 3600.0, "h"), (300.0, 60.0, "min"), (0.0, 1.0, "s"))
"""Shortest record [s], its unit of time [s] and the unit's name: an axis reads 3 to 300."""


def time_unit(length_s: float) -> tuple[float, str]:
    """The unit in which a record's time is drawn.

    Args:
        length_s: of the record [s].

    Returns:
        The unit [s] and its name.

    >>> time_unit(1800.0)
    (60.0, 'min')
    """
    return next((unit_s, unit) for least_s, unit_s, unit in TIME_UNITS if length_s >= least_s)


def colour(role: str) -> str:
    """Colour of a role on a light page; `to_svg` turns it into the page's own.

    Args:
        role: a key of `LIGHT`.

    Returns:
        The colour, #rrggbb.
    """
    return LIGHT[role]


def node_colours(nodes: Sequence[str]) -> dict[str, str]:
    """Colour of each node, the same in every figure that is given the same nodes.

    Args:
        nodes: hottest first; of more than there are colours the first ones come again.

    Returns:
        Node -> #rrggbb.
    """
    return {node: LIGHT[NODES[i % len(NODES)]] for i, node in enumerate(nodes)}


def response_colours(response: Response, known: Mapping[str, str] | None) -> Mapping[str, str]:
    """Colours of a response's nodes and its reference: those known, else in their own order.

    Args:
        response: as identified.
        known: colours by node; None where the figure stands alone.

    Returns:
        Node -> #rrggbb.
    """
    return known or node_colours((*response.nodes, response.reference))


def new_figure(height_in: float) -> Figure:
    """An empty figure of our width on the Agg canvas; no global state, no display.

    Args:
        height_in: its height [inch].

    Returns:
        The figure.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, height_in))
    FigureCanvasAgg(figure)
    return figure


def place_axes(
    ax: Axes | None, height_in: float, box: tuple[float, float, float, float]
) -> tuple[Figure, Axes]:
    """Where a figure of one axes is drawn: in the caller's axes, or alone in a new figure.

    Args:
        ax: the caller's axes; None for a new figure of our width.
        height_in: height of the new figure [inch].
        box: left, bottom, width and height of its axes [share of the figure].

    Returns:
        The figure and its axes.
    """
    if ax is None:
        figure = new_figure(height_in)
        return figure, figure.add_axes(box)
    return ax.figure.figure, ax  # the second `figure` leads from a subfigure to the whole


def styled(salt: str = "") -> Any:
    """Context in which figures are drawn and saved.

    Args:
        salt: makes the ids of one SVG differ from another's on the same page.

    Returns:
        The context manager.
    """
    from matplotlib import rc_context

    return rc_context(RC | {"svg.hashsalt": f"heatrun {salt}"})


def spread_labels(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Heights for labels, as near to those wanted as a least distance allows.

    Args:
        wanted: heights, any order.
        gap: least distance between two labels.
        low: lowest height, overrun where there is no room.
        high: highest height.

    Returns:
        A height for each label, in the order of `wanted`.

    >>> spread_labels([1.0, 1.1, 5.0], 1.0, 0.0, 6.0)
    [0.55, 1.55, 5.0]
    """
    order = [int(i) for i in np.argsort(wanted, kind="stable")]

    def bottom(group: Sequence[int]) -> float:
        """Height of the lowest label of a group placed as one block about its mean."""
        half = 0.5 * gap * (len(group) - 1)
        middle = sum(wanted[i] for i in group) / len(group)
        return max(low, min(middle, high - half) - half)

    groups: list[list[int]] = []
    for i in order:
        groups.append([i])
        while len(groups) > 1 and bottom(groups[-1]) < bottom(groups[-2]) + gap * len(groups[-2]):
            last = groups.pop()
            groups[-1] += last
    places = [0.0] * len(wanted)
    for group in groups:
        for k, i in enumerate(group):
            places[i] = round(bottom(group) + k * gap, 12)
    return places


def shortened(name: str) -> str:
    """A name as it stands beside a curve: whole, unless it would take the curve's own room.

    Args:
        name: of a node.

    Returns:
        The name, cut where it is longer than `LONGEST_NAME`.
    """
    return name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 1]}…"


def width_beside(names: Sequence[str], left: float) -> float:
    """Width of axes that leave room for the names at the right end of their curves.

    Args:
        names: of the curves.
        left: where the axes begin [share of the figure].

    Returns:
        The width [share of the figure].
    """
    longest = max((len(shortened(name)) for name in names), default=0)
    return 1 - left - (LETTER_IN * longest + LEADER_IN) / WIDTH_IN


def label_ends(
    axes: Axes, names: Sequence[str], ends: Sequence[float], colours: Sequence[str], gap: float
) -> None:
    """Name each curve at its right end, in the order of their heights, never on top of each other.

    Args:
        axes: whose x limits are final.
        names: one a curve.
        ends: the curve's last value, in data units.
        colours: the curve's own.
        gap: least distance of two names in data units.
    """
    low, high = sorted(axes.get_ylim())
    right = axes.get_xlim()[1]
    for name, end, place, hue in zip(
        names, ends, spread_labels(ends, gap, low, high), colours, strict=True
    ):
        axes.annotate(
            shortened(name),
            (right, end),
            xytext=(1.05, (place - low) / (high - low)),
            textcoords="axes fraction",
            va="center",
            ha="left",
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-",
                "color": hue,
                "lw": 1.2,
                "shrinkA": 1,
                "shrinkB": 1,
                "relpos": (0.0, 0.5),  # to the name's beginning: a steep one crosses no other name
            },
        )


def to_svg(figure: Figure, description: str) -> str:
    """The figure as inline SVG that takes its colours from the page's variables.

    Args:
        figure: drawn with colours of `LIGHT`.
        description: its content for a reader who cannot see it.

    Returns:
        The SVG element.
    """
    from html import escape

    stream = io.StringIO()
    with styled(description):
        figure.savefig(stream, format="svg", transparent=True, metadata={"Date": None})
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'<g id="[^"]*"', "<g", text)
    text = re.sub(r"<!--.*?-->\n?", "", text, flags=re.DOTALL)
    text = re.sub(r' xmlns(:\w+)?="[^"]*"', "", text)
    text = text.replace("xlink:href", "href")
    text = re.sub(r"[ \t]*\n[ \t]*", "\n", text)
    for role, hex_value in LIGHT.items():
        text = text.replace(hex_value, f"var(--{role})")
    box = re.search(r'viewBox="[^"]*"', text)
    assert box is not None
    opening = f'<svg {box.group()} role="img" aria-label="{escape(description, quote=True)}">'
    return re.sub(r"<svg[^>]*>", lambda _: opening, text, count=1)


def make_png_folder(folder: Path) -> None:
    """Create the folder that --png names, where it does not exist.

    Args:
        folder: to be created.

    Raises:
        RecordError: it cannot be created.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise not_created(folder, error, "--png") from error


def save_png(figure: Figure, path: Path) -> Path:
    """Write a figure as PNG, on white.

    Args:
        figure: to be written.
        path: of the file, replaced where it exists.

    Returns:
        The file written.

    Raises:
        RecordError: the file cannot be written.
    """
    try:
        with styled():
            figure.savefig(path, format="png", dpi=200, facecolor=LIGHT["paper"])
    except OSError as error:
        raise RecordError(
            path, "", f"cannot be written ({error.strerror})", "name a place you may write to"
        ) from error
    return path


def css_variables() -> str:
    """The palette as CSS: dark where the reader's system or the page asks for it."""
    light = " ".join(f"--{role}: {value};" for role, value in LIGHT.items())
    dark = " ".join(f"--{role}: {value};" for role, value in DARK.items())
    return (
        f":root {{ color-scheme: light; {light} }}\n"
        f"@media screen and (prefers-color-scheme: dark) {{ :root:not([data-theme='light']) "
        f"{{ color-scheme: dark; {dark} }} }}\n"
        f"@media screen {{ :root[data-theme='dark'] {{ color-scheme: dark; {dark} }} }}\n"
    )
