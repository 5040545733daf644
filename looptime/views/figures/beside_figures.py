"""Figures of any number of runs beside each other: where each call changed, and all periods."""

from itertools import pairwise
from typing import Any

import numpy as np

from looptime.checks.recording.figures import RunValues
from looptime.checks.recording.histogram import Histogram, bin_edges
from looptime.checks.season.many_runs import Beside, Line
from looptime.views.figures.palette import MARK, NEUTRAL, QUIET, WARN
from looptime.views.figures.picture import (
    Picture,
    axis,
    bar,
    label,
    layout,
    log_axis,
    text_in_plot,
)
from looptime.views.text.terminal import count, number, safe
from looptime.words import listed

__all__ = ["beside_table", "change_map", "periods_beside"]

#: Lines of the map, bins of a run's periods, runs that are named on an axis, and drawn.
_LINES, _BINS, _NAMED, _DRAWN = 24, 70, 8, 60
#: Change at which a colour is at its strongest [%].
_STRONG = 30.0
_SLOWER, _FASTER = "196,71,26", "38,110,190"


def change_map(at: Beside) -> Picture:
    """Runs by calls: how much more or less time each took than in the runs held against."""
    lines = [line for line in at.lines if line.level_ms][:_LINES]
    n, places = len(at.runs), list(range(len(lines)))[::-1]
    cells: list[tuple[int, int, float, str, list[Any]]] = []
    for y, line in zip(places, lines, strict=True):
        for k, change in enumerate(line.percent):
            if change is not None:
                cells.append((k + 1, y, change, _shown(line, k, n), _told(at, line, k)))
    data = [
        bar(
            [c[0] for c in cells], [0.92] * len(cells), [_colour(c[2]) for c in cells],
            base=[c[1] - 0.46 for c in cells], width=0.96, text=[c[3] for c in cells],
            textposition="inside", insidetextanchor="middle", textangle=0, showlegend=False,
            customdata=[c[4] for c in cells],
            hovertemplate="%{customdata[0]}<br>%{customdata[1]}<br>%{customdata[2]}"
            "<extra></extra>",
        ),
        *_marks(at, len(lines)),
        *(bar([None], [None], _colour(c), name=text, hoverinfo="skip")
          for c, text in ((-_STRONG, f"{_STRONG:g} % less or beyond"), (0.0, "as before"),
                          (_STRONG, f"{_STRONG:g} % more or beyond"))),
    ]  # fmt: skip
    names = [text_in_plot(label(x.name)) for x in lines]
    down = axis("", tickvals=places, ticktext=names, range=[-0.6, len(lines) + 1.5], showgrid=False)
    drawn = layout(_run_axis(at), down, 150 + 24 * len(lines), showlegend=True, barmode="overlay",
                   bargap=0, uniformtext={"minsize": 9, "mode": "hide"})  # fmt: skip
    names_above, drawn["shapes"] = _versions(at, len(lines))
    data.append(names_above)
    title = _map_title(at, lines)
    return Picture(
        "change-map", title, {"data": data, "layout": drawn},
        f"{count(len(lines), 'figure')} of {count(n, 'run')} against {at.against_what}. {title}.",
        ("figure", "run", "version", "ms", "change %", "stands out"),
        tuple((line.name, f.name, f.version or "", line.values_ms[k], line.percent[k],
               {True: "yes", False: "no", None: "can't tell"}[line.beyond[k]])
              for line in at.lines for k, f in enumerate(at.facts)
              if line.values_ms[k] is not None),
        f"Of calls the mean self time a loop, against its mean over {_against(at)}. "
        "Versions are parted by lines.", _cautions(at),
    )  # fmt: skip


def _against(at: Beside) -> str:
    return f"{at.against_what} ({count(len(at.against), 'run')})"


def _cautions(at: Beside) -> tuple[str, ...]:
    made = []
    if len(at.against) < 3:
        made.append(f"Held against {_against(at)}: too few to tell what runs differ by without any "
                    "change.")  # fmt: skip
    elif len(at.against) == len(at.runs):
        made.append(f"Every run is one of {at.against_what}: what they differ by is scatter.")
    else:
        made.append(
            "Where a later run lies outside the 95 % prediction interval of "
            f"{_against(at)}, a number stands; of unchanged figures one in twenty does."
        )
    known = sum(1 for line in at.lines if line.level_ms)
    if known < len(at.lines):
        made.append(f"{count(len(at.lines) - known, 'call')} that the runs held against do not "
                    "have: see the table.")  # fmt: skip
    if known > _LINES:
        made.append(f"The dearest {_LINES - 2} of {known - 2} calls; the table has all.")
    if not at.can_be_odd:
        made.append("Whether a run is odd can't be told of fewer than six.")
    if at.left_out:
        names = listed([safe(name, 40) for name in at.left_out], 4)
        made.append(f"Left out, since their phases are others: {names}.")
    return tuple(made)


def _shown(line: Line, k: int, runs: int) -> str:
    change = line.percent[k]
    if change is None or runs > 40 or line.beyond[k] is False or abs(change) < 1:
        return ""
    return f"{change:+.0f}".replace("-", "\u2212")


def _told(at: Beside, line: Line, k: int) -> list[Any]:
    facts, change = at.facts[k], line.percent[k]
    run = f"{text_in_plot(label(facts.name, 40))}, version " + text_in_plot(
        label(facts.version or "not named", 24)
    )
    text = f"{number(line.values_ms[k])} ms, {change:+.3g} %"
    sure = {True: ": stands out", False: ": within the scatter", None: ""}[line.beyond[k]]
    return [text_in_plot(label(line.name, 60)), run, text + sure]


def _colour(change: float) -> str:
    rgb = _SLOWER if change > 0 else _FASTER
    return f"rgba({rgb},{0.06 + 0.6 * min(abs(change) / _STRONG, 1.0):.2f})"


def _marks(at: Beside, top: int) -> list[dict[str, Any]]:
    """Above the map: which runs are held against, and which are odd."""
    odd = {o.entry for o in at.odd}
    rows = (
        ("held against", [k + 1 for k in at.against], "square", QUIET),
        ("odd", [k + 1 for k, r in enumerate(at.runs) if r.key in odd], "x", WARN),
    )
    return [
        {"type": "scatter", "mode": "markers", "x": x, "y": [top] * len(x), "name": name,
         "marker": {"symbol": symbol, "size": 9, "color": colour},
         "hovertemplate": f"run %{{x}}: {name}<extra></extra>"}
        for name, x, symbol, colour in rows if x
    ]  # fmt: skip


def _run_axis(at: Beside) -> dict[str, Any]:
    n = len(at.runs)
    if n <= _NAMED:
        return axis("", tickvals=list(range(1, n + 1)), showgrid=False, range=[0.4, n + 0.6],
                    ticktext=[text_in_plot(label(f.name, 16)) for f in at.facts])  # fmt: skip
    return axis("run, in order of recording", nticks=12, tickangle=0, showgrid=False,
                range=[0.4, n + 0.6])  # fmt: skip


def _versions(at: Beside, top: int) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Each version's name above its runs where there is room, and a line where it changes."""
    versions = [f.version or "not named" for f in at.facts]
    cuts = [0, *(k for k in range(1, len(versions)) if versions[k] != versions[k - 1]),
            len(versions)]  # fmt: skip
    shapes = [
        {"type": "line", "x0": k + 0.5, "x1": k + 0.5, "y0": -0.6, "y1": top + 1.5,
         "line": {"color": QUIET, "width": 1.5}}
        for k in cuts[1:-1]
    ]  # fmt: skip
    spans = list(pairwise(cuts))
    names = bar(
        [(a + b + 1) / 2 for a, b in spans], [0.8] * len(spans), "rgba(0,0,0,0)",
        base=[top + 0.55] * len(spans), width=[b - a for a, b in spans], textposition="inside",
        insidetextanchor="middle", textangle=0, hoverinfo="skip", showlegend=False,
        text=[text_in_plot(label(versions[a], 24)) for a, _ in spans],
    )  # fmt: skip
    return names, shapes


def _map_title(at: Beside, lines: list[Line]) -> str:
    """The call that changed most in the last run, where that stands out."""
    last = len(at.runs) - 1
    calls = [x for x in lines[2:] if x.beyond[last] and x.percent[last] is not None]
    what = at.against_what
    if last in at.against:
        return f"{count(len(at.runs), 'run')} beside each other, against {what}"
    if not calls:
        sure = any(x.beyond[last] is not None for x in lines)
        head = "No call stands out" if sure else "Can't tell what stands out"
        return f"{head} in the last of {count(len(at.runs), 'run')} against {what}"
    level = {x.name: x.level_ms or 0.0 for x in calls}
    most = max(calls, key=lambda x: abs((x.values_ms[last] or 0.0) - level[x.name]))
    return (f"In the last of {count(len(at.runs), 'run')} {label(most.name, 40)} stands out most: "
            f"{most.percent[last]:+.3g} % against {what}")  # fmt: skip


def periods_beside(at: Beside) -> Picture | None:
    """How long the loops of each run are, one above the other on one axis.

    None where nothing is known of it.
    """
    every = [
        (k, r.values, h)
        for k, r in enumerate(at.runs)
        if (h := r.values.histograms.get((at.quantity, "", ""))) is not None and h.count
    ]
    shown = every[-_DRAWN:]
    if not shown:
        return None
    low = max(min(int(h.bins[0]) for _, _, h in shown), 1)
    high = max(low + 1, *(int(h.bins[-1]) for _, _, h in shown))
    step = -(-(high - low + 1) // _BINS)
    odd = {o.entry for o in at.odd}
    data: list[dict[str, Any]] = []
    for place, (k, _, h) in enumerate(reversed(shown)):
        key = at.runs[k].key
        colour = WARN if key in odd else QUIET if k in at.against else NEUTRAL
        data.append(_shape(h, low, step, place, colour))
    data += [
        _ticks(shown, share, symbol, words)
        for share, symbol, words in (
            (0.5, "line-ns-open", "half of the loops"),
            (0.99, "diamond", "99 % of the loops"),
        )
    ]
    edges = bin_edges()
    ends = [float(edges[low - 1]) / 1e6, float(edges[min(high, len(edges) - 1)]) / 1e6]
    names = [text_in_plot(f"{label(at.facts[k].name, 20)} {label(at.facts[k].version or '', 8)}")
             for k, _, _ in reversed(shown)]  # fmt: skip
    x = log_axis(f"{at.quantity} (ms, logarithmic)", *ends,
                 range=[float(np.log10(v)) for v in ends])  # fmt: skip
    y = axis("", tickvals=list(range(len(shown))), ticktext=names, range=[-0.3, len(shown) + 0.1])
    drawn = layout(x, y, 130 + 34 * len(shown), showlegend=True)
    worst = max(shown, key=lambda one: _p99(one[1], at.quantity))
    title = (
        f"99 % of the loops take up to {number(_p99(worst[1], at.quantity))} ms in "
        f"{label(at.facts[worst[0]].name, 40)}, the most of {count(len(shown), 'run')}"
    )
    return Picture(
        "periods-beside", title, {"data": data, "layout": drawn},
        f"Histograms of {at.quantity} of {count(len(shown), 'run')}. {title}.", (), (),
        "Each run's loops counted in bins of equal width in the logarithm, each run to its own "
        "largest bin; the newest run below. Marks are within 1 % of the exact figures.",
        ("Grey are the runs held against, orange odd ones.",) if odd or at.against else (),
    )  # fmt: skip


def _p99(run: RunValues, quantity: str) -> float:
    value = run.get("p99", quantity)
    return 0.0 if value is None else value.value


def _shape(h: Histogram, low: int, step: int, place: int, colour: str) -> dict[str, Any]:
    """The outline of a run's loops above its line."""
    group = np.maximum(h.bins - low, 0) // step
    first, last = int(group[0]), int(group[-1])
    counts = np.bincount(group - first, weights=h.counts, minlength=last - first + 1)
    tall = 0.88 * counts / counts.max()
    edges = bin_edges()
    numbers = low + step * np.arange(first, last + 2) - 1
    x = edges[np.minimum(numbers, len(edges) - 1)] / 1e6
    sides = np.repeat(x, 2)[1:-1]
    xs = [float(f"{v:.4g}") for v in (*sides, x[-1], x[0])]
    ys = [round(place + float(t), 3) for t in np.repeat(tall, 2)] + [place, place]
    return {"type": "scatter", "mode": "lines", "x": xs, "y": ys, "fill": "toself",
            "fillcolor": _faint(colour), "line": {"color": colour, "width": 1},
            "hoverinfo": "skip", "showlegend": False}  # fmt: skip


def _faint(colour: str) -> str:
    red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    return f"rgba({red},{green},{blue},0.35)"


def _ticks(shown: list[tuple[int, RunValues, Histogram]], share: float, symbol: str,
           words: str) -> dict[str, Any]:  # fmt: skip
    x = [h.quantile_ns(share) / 1e6 for _, _, h in reversed(shown)]
    return {
        "type": "scatter", "mode": "markers", "x": [float(f"{v:.4g}") for v in x],
        "y": [place + 0.12 for place in range(len(shown))], "name": f"{words}, up to",
        "marker": {"symbol": symbol, "size": 12 if symbol.startswith("line") else 8,
                   "color": MARK if share < 0.9 else WARN,
                   "line": {"width": 3 if share < 0.9 else 0}},
        "hovertemplate": f"{words} up to %{{x:.4g}} ms<extra></extra>",
    }  # fmt: skip


def beside_table(at: Beside) -> tuple[tuple[str, ...], list[tuple[Any, ...]]]:
    """Heads and rows, one a run in the order of recording."""
    odd = {o.entry: o for o in at.odd}
    mean, p99 = at.lines[0], at.lines[1]
    rows = []
    for k, run in enumerate(at.runs):
        facts, values = run.values.facts, run.values
        rate, over = values.get("rate"), values.get("overruns")
        marks = ["held against"] if k in at.against else []
        if run.key in odd:
            figures = odd[run.key].figures
            marks.append(
                f"odd in {figures[0] if len(figures) == 1 else count(len(figures), 'figure')}"
            )
        rows.append((
            k + 1, facts.name, facts.version or "", ", ".join(marks),
            facts.loops, None if rate is None else rate.value, mean.values_ms[k],
            _tenth(mean.percent[k]), p99.values_ms[k], _tenth(p99.percent[k]),
            None if over is None else over.value / max(over.n, 1),
            (facts.time or "")[:16].replace("T", " "),
        ))  # fmt: skip
    q = at.quantity
    return ("run", "log", "version", "marks", "loops", "rate 1/s", f"{q} mean ms", "mean %",
            f"{q} p99 ms", "p99 %", "share over budget", "recorded"), rows  # fmt: skip


def _tenth(change: float | None) -> float | None:
    return None if change is None else round(change, 1)
