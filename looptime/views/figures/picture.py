"""What every figure has: a finding as its title, a table, a text for those who cannot see it.

Figures are made as plain data in Plotly's own terms and need no Plotly to be made; the report and
the dashboard draw the same ones.
"""

from collections.abc import Sequence
from dataclasses import field
from html import unescape
from typing import Any

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float
from looptime.records import dataclass
from looptime.views.figures.palette import KIND_COLOUR, WARN, colour_of, pattern_of
from looptime.views.text.terminal import number, safe

__all__ = [
    "MOST_POINTS", "Picture", "axis", "bar", "budget_line", "envelope", "error_bars", "kind_key",
    "label", "layout", "level", "line_at", "log_axis", "log_bins", "log_range", "loops_word",
    "room_px", "text_in_plot", "three",
]  # fmt: skip

#: Room for the numbers and the title of an upright axis [px].
_NUMBERS_PX = 72
#: A figure never holds more points than this.
MOST_POINTS = 20_000


@dataclass(frozen=True)
class Picture:
    """A figure with all that is said of it."""

    key: str  #: Short name, for ids and file names
    title: str  #: What the figure shows, as a finding
    figure: dict[str, Any] = field(repr=False)  #: ``data`` and ``layout`` in Plotly's terms
    alt: str  #: The figure in words
    heads: tuple[str, ...]  #: Column heads of the table
    rows: tuple[tuple[Any, ...], ...] = field(repr=False)  #: The table: text, numbers or None
    how: str  #: How it was computed
    notes: tuple[str, ...] = ()  #: Cautions beside it


def label(name: str, longest: int = 28) -> str:
    """A call's name as an axis shows it: safe, and short enough to leave room for the figure.

    Examples
    --------
    >>> label("drive.front_left.steer.motor.write")
    'drive.front_le...motor.write'
    """
    text = safe(name, 10_000)
    if len(text) <= longest:
        return text
    tail = (longest - 3) * 11 // 25
    return f"{text[: longest - 3 - tail]}...{text[-tail:]}"


def text_in_plot(text: str) -> str:
    """Text from a log within a figure, where a few tags would otherwise have a meaning.

    Examples
    --------
    >>> text_in_plot("<b>x</b> & y")
    '&lt;b&gt;x&lt;/b&gt; &amp; y'
    """
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def loops_word(count: int) -> str:
    """The word that goes with so many loops."""
    return "loop" if count == 1 else "loops"


def axis(title: str, **more: Any) -> dict[str, Any]:
    """An axis with its title and quiet lines."""
    return {
        "title": {"text": title, "standoff": 8, "font": {"size": 13}},
        "gridcolor": "#c9ccc8",
        "linecolor": "#858d96",
        "zerolinecolor": "#858d96",
        "zeroline": False,
        "ticks": "outside",
        "tickcolor": "#858d96",
        **more,
    }


def log_axis(title: str, low: float, high: float, **more: Any) -> dict[str, Any]:
    """A logarithmic axis with round numbers from `low` to `high`."""
    ticks = log_ticks(low, high)
    words = [f"{t:g}" for t in ticks]
    return axis(title, type="log", tickvals=ticks, ticktext=words, **more)


def room_px(names: Sequence[str]) -> int:
    """Room that the longest of some labels takes at the figures' size of type, with a gap.

    Parameters
    ----------
    names : sequence of str
        As they stand in a figure: lines end with ``<br>``.

    Examples
    --------
    >>> room_px(["gyro.read"]) < room_px(["gyro.read.all"]) < 120
    True
    >>> room_px([])
    24
    """
    lines = [unescape(line) for name in names for line in str(name).split("<br>")]
    return 24 + round(max((sum(map(_wide_px, line)) for line in lines), default=0))


def _wide_px(char: str) -> float:
    """Width of a character, on the large side of what fonts have."""
    if char in "iljtfr.,:;'|!()[] I-":
        return 5.0
    if char in "mwMW@%" or not char.isascii():
        return 12.5
    return 9.2 if char.isupper() else 7.6


def layout(x: dict[str, Any], y: dict[str, Any], height: int = 320, **more: Any) -> dict[str, Any]:
    """The layout that all figures share.

    Room for labels is worked out here: a browser that has to find it draws everything twice.
    """
    names = y.get("ticktext")
    left = _NUMBERS_PX if names is None or y["title"]["text"] else room_px(names)
    top = 46 if more.get("showlegend") else 16
    return {
        "xaxis": x,
        "yaxis": y,
        "height": height,
        "margin": {"l": left, "r": 24, "t": top, "b": 54},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": "system-ui, sans-serif", "size": 13, "color": "#1d2329"},
        "hoverlabel": {
            "bgcolor": "#1d2329", "bordercolor": "#1d2329", "align": "left",
            "font": {"color": "#ffffff", "size": 13},
        },
        "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0},
        "showlegend": False,
        "bargap": 0.12,
        "dragmode": False,
        **more,
    }  # fmt: skip


def bar(x: Any, y: Any, colour: str | list[str], **more: Any) -> dict[str, Any]:
    """A trace of bars."""
    marker: dict[str, Any] = {"color": colour, "line": {"width": 0}}
    pattern = more.pop("pattern", None)
    if pattern is not None:
        marker["pattern"] = {"shape": pattern, "fillmode": "overlay", "size": 6, "solidity": 0.18}
    return {"type": "bar", "x": list(x), "y": list(y), "marker": marker, **more}


def kind_key(kinds: Sequence[str | None]) -> list[dict[str, Any]]:
    """Bars of no length that say in the legend which kind a colour and a pattern stand for.

    Parameters
    ----------
    kinds : sequence of str or None
        Kind of each bar that is drawn.
    """
    shown = [k for k in KIND_COLOUR if k in kinds]
    return [
        bar([None], [None], colour_of(k), pattern=pattern_of(k), name=k, orientation="h",
            hoverinfo="skip")
        for k in shown
    ]  # fmt: skip


def line_at(
    value: float, text: str, along: str = "x", shown_at: float | None = None
) -> dict[str, list[dict[str, Any]]]:
    """A line across the figure with its label: a budget, a limit.

    Parameters
    ----------
    value : float
        Where, on the axis `along`.
    text : str
        Label.
    along : {"x", "y"}
        Which axis.
    shown_at : float, optional
        Place of the label if it is not `value`: its logarithm on a logarithmic axis.
    """
    place = value if shown_at is None else shown_at
    if along == "x":
        ends = {"x0": value, "x1": value, "y0": 0, "y1": 1, "yref": "paper"}
        note = {"x": place, "y": 1, "yref": "paper", "xanchor": "left", "yanchor": "top"}
    else:
        ends = {"y0": value, "y1": value, "x0": 0, "x1": 1, "xref": "paper"}
        note = {"y": place, "x": 1, "xref": "paper", "xanchor": "right", "yanchor": "bottom"}
    line = {"type": "line", "line": {"color": WARN, "width": 2, "dash": "dash"}, **ends}
    font = {"color": WARN}
    return {
        "shapes": [line],
        "annotations": [{"text": text_in_plot(text), "showarrow": False, "font": font, **note}],
    }


def level(value: float, text: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """A line across a figure of a run's time: its shape, and what names it in the legend.

    There is no place within the figure where a label would hide no loop.
    """
    shape = line_at(value, text, "y")["shapes"][0]
    key = {"type": "scatter", "mode": "lines", "x": [None], "y": [None], "line": shape["line"],
           "name": text, "hoverinfo": "skip", "showlegend": True}  # fmt: skip
    return shape, key


def budget_line(
    budget_ms: float | None, edges: Float, what: str = "budget"
) -> dict[str, list[dict[str, Any]]]:
    """The budget as a line across bins on a logarithmic axis; none where it is far from them."""
    if budget_ms is None or not edges[0] * 0.7 < budget_ms < edges[-1] * 1.4:
        return {}
    return line_at(budget_ms, f" {what} {number(budget_ms)} ms", "x", float(np.log10(budget_ms)))


def error_bars(figures: Sequence[Figure]) -> dict[str, Any]:
    """Lines from each figure to both ends of its interval; none where it has no interval."""

    def gap(end: float | None, value: float | None) -> float:
        return 0.0 if end is None or value is None else abs(float(end) - float(value))

    return {
        "type": "data", "symmetric": False, "color": "#858d96", "thickness": 1.5, "width": 5,
        "array": [gap(f.high, f.value) for f in figures],
        "arrayminus": [gap(f.low, f.value) for f in figures],
    }  # fmt: skip


def three(at: Figure | None) -> tuple[float | None, float | None, float | None]:
    """Value, low and high as a table's cells.

    Examples
    --------
    >>> three(Figure(2.0, 1.0, 3.0)), three(None)
    ((2.0, 1.0, 3.0), (None, None, None))
    """
    if at is None:
        return None, None, None
    made = [None if v is None else float(v) for v in (at.value, at.low, at.high)]
    return made[0], made[1], made[2]


def log_bins(x: Float, most: int = 80) -> Float:
    """Edges of bins of equal width in the logarithm, shape (k + 1,); empty for no values.

    Examples
    --------
    >>> log_bins(np.array([1.0, 100.0]), 4).round(2).tolist()
    [1.0, 3.16, 10.0, 31.62, 100.0]
    """
    x = x[x > 0]
    if not len(x):
        return np.empty(0)
    low, high = float(x.min()), float(x.max())
    if high <= low * 1.0001:
        low, high = low * 0.98, high * 1.02
    edges = np.geomspace(low, high, most + 1)
    edges[0], edges[-1] = low, high
    return edges


def log_range(edges: Float) -> list[float]:
    """Ends of a logarithmic axis with a little room on either side of the bins.

    Examples
    --------
    >>> [round(v, 3) for v in log_range(np.array([1.0, 10.0, 100.0]))]
    [-0.04, 2.04]
    """
    low, high = float(np.log10(edges[0])), float(np.log10(edges[-1]))
    room = 0.02 * (high - low)
    return [low - room, high + room]


def log_ticks(low: float, high: float) -> list[float]:
    """Round numbers to label a logarithmic axis with.

    Examples
    --------
    >>> log_ticks(8, 60)
    [8.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0]
    >>> log_ticks(0.5, 300)
    [0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0]
    """
    fine: tuple[float, ...] = (1, 1.5, 2, 3, 4, 6, 8) if high < 20 * low else (1, 2, 5)
    if high < 2.5 * low:
        step = 10 ** np.floor(np.log10((high - low) / 3))
        step *= next(m for m in (1, 2, 5, 10) if m * step * 8 >= high - low)
        first = np.ceil(low / step) * step
        return [float(round(v, 9)) for v in np.arange(first, high + step / 2, step)]
    if high > 3000 * low:
        fine = (1,)
    decades = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    made = [round(m * 10.0**d, 9) for d in decades for m in fine]
    return [float(v) for v in made if low * 0.999 <= v <= high * 1.001]


def envelope(t: Float, x: Float, most: int = 2000) -> tuple[Float, Float, Float, Float]:
    """Least, middle and largest value in each of at most `most` stretches of equal count.

    Parameters
    ----------
    t, x : float array, shape (n,)
        In order of `t`.
    most : int
        Stretches at most.

    Returns
    -------
    start, low, middle, high : float array, shape (k,)
        Every value of `x` lies between `low` and `high` of its stretch.

    Examples
    --------
    >>> start, low, middle, high = envelope(np.arange(6.0), np.array([1.0, 5, 2, 3, 9, 4]), 2)
    >>> start.tolist(), low.tolist(), middle.tolist(), high.tolist()
    ([0.0, 3.0], [1.0, 3.0], [2.0, 4.0], [5.0, 9.0])
    """
    n = len(x)
    if n <= most:
        return t, x, x, x
    edges = np.linspace(0, n, most + 1).astype(np.int64)[:-1]
    middle = np.array([np.median(part) for part in np.split(x, edges[1:])])
    return t[edges], np.minimum.reduceat(x, edges), middle, np.maximum.reduceat(x, edges)
