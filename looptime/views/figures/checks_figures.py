"""Figures of checks: before and after, and the gate."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float
from looptime.checks.compare.change import Change
from looptime.checks.compare.comparison import Comparison
from looptime.checks.gate.gate import GateResult
from looptime.checks.gate.limits import Row
from looptime.schema import UNATTRIBUTED
from looptime.views.figures.palette import (
    AFTER,
    BEFORE,
    NEUTRAL,
    QUIET,
    WARN,
    colour_of,
    pattern_of,
)
from looptime.views.figures.picture import (
    Picture,
    axis,
    bar,
    budget_line,
    error_bars,
    kind_key,
    label,
    layout,
    line_at,
    log_axis,
    log_bins,
    log_range,
    loops_word,
    text_in_plot,
    three,
)
from looptime.views.text.terminal import count, number
from looptime.words import percent

__all__ = [
    "TITLES", "changes_table", "difference_by_call", "gate_margins", "gate_table", "plus",
    "shift_figure", "two_histograms",
]  # fmt: skip

_MOST_BARS = 12
#: What the statistics are called in tables and titles.
TITLES = {
    "worst1": "mean of the worst 1 %", "worst5": "mean of the worst 5 %",
    "rate": "loops a second", "overruns": "overruns",
}  # fmt: skip


def two_histograms(
    before_ms: Float, after_ms: Float, words: tuple[str, str],
    budget_ms: float | None = None, how: str = "",
) -> Picture:  # fmt: skip
    """Periods of two sides, as outlines on the same logarithmic bins.

    Parameters
    ----------
    before_ms, after_ms : float array [ms]
        The loops of each side, at least one.
    words : tuple of str
        What the sides are called.
    budget_ms : float, optional [ms]
        Drawn as a line, and counted in the title.
    how : str
        How it was computed.
    """
    edges = log_bins(np.concatenate([before_ms, after_ms]), 90)
    middle = np.sqrt(edges[:-1] * edges[1:])
    counts = [np.histogram(x, edges)[0] for x in (before_ms, after_ms)]
    sizes = (len(before_ms), len(after_ms))
    data = [
        {
            "type": "scatter", "mode": "lines", "name": word, "x": middle.tolist(),
            "y": (100 * each / max(size, 1)).tolist(),
            "line": {"shape": "hvh", "color": colour, "width": 2.2, "dash": dash},
            "fill": fill, "fillcolor": "rgba(63,127,147,0.22)",
            "customdata": [[float(a), float(b), int(n), loops_word(int(n))]
                           for a, b, n in zip(edges[:-1], edges[1:], each, strict=True)],
            "hovertemplate": word + ": %{customdata[0]:.4g} to %{customdata[1]:.4g} ms<br>"
            "%{y:.3g} % of the loops, %{customdata[2]} %{customdata[3]}<extra></extra>",
        }
        for word, each, size, colour, dash, fill in (
            (words[0], counts[0], sizes[0], BEFORE, "dot", "none"),
            (words[1], counts[1], sizes[1], AFTER, "solid", "tozeroy"),
        )
    ]  # fmt: skip
    x = log_axis("period (ms, logarithmic)", edges[0], edges[-1], range=log_range(edges))
    drawn = layout(x, axis("share of the loops (%)", rangemode="tozero"), showlegend=True)
    middles = [float(np.median(side)) for side in (before_ms, after_ms)]
    title = f"The middle period is {number(middles[0])} ms {words[0]}, {number(middles[1])} ms "
    title += words[1]
    line = budget_line(budget_ms, edges)
    drawn.update(line)
    if line and budget_ms is not None:
        over = [percent(float((side > budget_ms).mean())) for side in (before_ms, after_ms)]
        title += f"; {over[0]} and {over[1]} of the loops are over the budget"
    rows = tuple(
        (float(a), float(b), int(m), int(n))
        for a, b, m, n in zip(edges[:-1], edges[1:], *counts, strict=True) if m or n
    )  # fmt: skip
    return Picture(
        "both", title, {"data": data, "layout": drawn},
        f"Two histograms of the period, {count(sizes[0], 'loop')} {words[0]} and {sizes[1]:,} "
        f"{words[1]}. {title}.",
        ("from ms", "to ms", f"loops {words[0]}", f"loops {words[1]}"), rows, how,
    )  # fmt: skip


def _shift_title(middle: Figure, tail: Figure) -> str:
    """What the middle and the slowest loops do, of each what its interval lets one say."""
    moves = [at.low is None or at.high is None or not at.low <= 0 <= at.high
             for at in (middle, tail)]  # fmt: skip
    by = [f"{plus(at.value)} ms" for at in (middle, tail)]
    if all(moves):
        return f"The middle loop moves by {by[0]}, the slowest 1 % by {by[1]}"
    if moves[0]:
        return f"The middle loop moves by {by[0]}; can't tell whether the slowest 1 % do"
    if moves[1]:
        return f"The slowest 1 % move by {by[1]}; can't tell whether the middle loop does"
    return "Can't tell whether the middle loop or the slowest 1 % move"


def shift_figure(found: Comparison) -> Picture | None:
    """How far every part of the distribution moved; None where no distribution is at hand."""
    at = found.shift
    if not at:
        return None
    names = [f"{s.percent:g}" for s in at]
    moved = [float(s.difference_ms.value or 0.0) for s in at]
    trace = {
        "type": "scatter", "mode": "lines+markers", "x": names, "y": moved,
        "line": {"color": AFTER, "width": 2}, "marker": {"color": AFTER, "size": 8},
        "error_y": error_bars([s.difference_ms for s in at]),
        "customdata": [[float(s.before_ms), float(s.after_ms), _interval(s.difference_ms)]
                       for s in at],
        "hovertemplate": "the %{x} % shortest loops end at<br>%{customdata[0]:.4g} ms before, "
        "%{customdata[1]:.4g} ms after<br>%{y:+.3g} ms%{customdata[2]}<extra></extra>",
    }  # fmt: skip
    drawn = layout(
        axis("of the loops, shortest first (%)", type="category"),
        axis("after minus before (ms)", zeroline=True, zerolinewidth=2, rangemode="tozero"),
    )
    middle = next((s for s in at if s.percent == 50), at[len(at) // 2])
    tail = at[-1]
    title = _shift_title(middle.difference_ms, tail.difference_ms)
    return Picture(
        "shift", title, {"data": [trace], "layout": drawn},
        f"Shift along the distribution of the {found.quantity}. {title}.",
        ("share of the loops, %", "before, ms", "after, ms", "change, ms", "low", "high"),
        tuple((float(s.percent), float(s.before_ms), float(s.after_ms), *three(s.difference_ms))
              for s in at),
        "Quantiles of the loops of each side, after minus before. Lines are 95 % intervals: from "
        "batches left out in turn with one run a side, from the scatter between runs with more.",
    )  # fmt: skip


def _interval(at: Figure) -> str:
    if at.low is None or at.high is None:
        return ""
    return f" ({plus(at.low)} to {plus(at.high)})"


def plus(value: float | None, digits: int = 3) -> str:
    """A change with its sign; a dash where there is none.

    Examples
    --------
    >>> plus(0.1234), plus(-2.0, 2), plus(0.0), plus(None)
    ('+0.123', '-2.0', '0', '-')
    """
    if value is None:
        return "-"
    if value == 0:
        return "0"
    return ("+" if value > 0 else "-") + number(abs(value), digits)


def difference_by_call(found: Comparison, kinds: Mapping[str, str] | None = None) -> Picture:
    """What each call adds to the difference of the means; the bars add up to it.

    Parameters
    ----------
    found : Comparison
        What `looptime.checks.compare.compare.compare` returned.
    kinds : dict of str to str, optional
        Kind of each call.
    """
    at = found.explained
    parts = [p for p in at.parts if p.difference_ms or p.before_ms]
    shown = parts[:_MOST_BARS]
    known = kinds or {}
    of = [UNATTRIBUTED if p.name == UNATTRIBUTED else known.get(p.name, "other") for p in shown]
    place = list(range(len(shown)))
    told = {c.call: c.verdict for c in found.calls if c.statistic == "mean" and not c.thread}
    trace = bar(
        [float(p.difference_ms) for p in shown], place, [colour_of(k) for k in of],
        orientation="h", pattern=[pattern_of(k) for k in of],
        customdata=[[float(p.before_ms), float(p.after_ms), told.get(p.name, "no verdict"),
                     text_in_plot(k), text_in_plot(label(p.name, 60))]
                    for p, k in zip(shown, of, strict=True)],
        hovertemplate="%{customdata[4]} (%{customdata[3]})<br>%{customdata[0]:.4g} ms a loop "
        "before, %{customdata[1]:.4g} after<br>%{x:+.4g} ms: %{customdata[2]}<extra></extra>",
        showlegend=False,
    )  # fmt: skip
    names = [text_in_plot(f"{label(p.name, 26)}: {plus(p.difference_ms)}") for p in shown]
    ends = [0.0, *(float(p.difference_ms) for p in shown)]
    room = 0.06 * max(max(ends) - min(ends), 1e-9)
    drawn = layout(
        axis("change (ms a loop)", zeroline=True,
             range=[min(ends) - room, max(ends) + room]),
        axis("", tickvals=place, ticktext=names,
             autorange="reversed", ticks=""),
        max(210, 130 + 27 * len(shown)), showlegend=True, barmode="overlay",
    )  # fmt: skip
    first = parts[0] if parts else None
    title = f"The mean {at.quantity} changes by {plus(at.difference_ms)} ms a loop"
    if first is not None:
        which = f"{label(first.name, 40)}{_new_or_gone(first)}"
        if first.difference_ms * at.difference_ms > 0:
            title += f"; {which} makes up {plus(first.difference_ms)} ms of it"
        else:
            rest = at.difference_ms - first.difference_ms
            title += f": {which} {plus(first.difference_ms)} ms, all else {plus(rest)} ms"
    rows = tuple(
        (p.name, known.get(p.name, ""), float(p.before_ms), float(p.after_ms),
         float(p.difference_ms), p.share, told.get(p.name, ""))
        for p in parts
    )  # fmt: skip
    return Picture(
        "by-call", title, {"data": [trace, *kind_key(of)], "layout": drawn},
        f"{title}. The largest: "
        + ", ".join(f"{p.name} {plus(p.difference_ms)} ms" for p in shown[:5]) + ".",
        ("call", "kind", "before, ms a loop", "after, ms a loop", "change, ms", "share", "verdict"),
        rows,
        "Mean self time a loop on each side. Self times and what no call covers add up to the "
        f"{at.quantity}, so their differences add up to the difference of the means. Verdicts are "
        "adjusted over all calls (Holm).",
    )  # fmt: skip


def _new_or_gone(part: Any) -> str:
    """What is said of a call that one side alone has on the loop's thread."""
    if part.name == UNATTRIBUTED:
        return ""
    if not part.before_ms:
        return ", new in the loop,"
    return "" if part.after_ms else ", gone from the loop,"


def changes_table(found: Comparison) -> tuple[tuple[str, ...], tuple[tuple[Any, ...], ...]]:
    """Heads and rows of the figures of the whole loop and of the calls that stand out."""
    percent = "% less trend" if found.without_trend else "%"
    heads = ("figure", "before", "after", "change", percent, "95 %", "p", "verdict", "to be known")
    told = [c for c in found.calls if c.verdict in ("slower", "faster")]
    listed = found.worth_a_look
    rows = [_change_row(c, found.quantity, c.verdict) for c in found.changes]
    rows += [_change_row(c, found.quantity, c.verdict) for c in told]
    rows += [_change_row(c, found.quantity, "look here") for c in listed]
    return heads, tuple(rows)


def _change_row(c: Change, quantity: str, verdict: str) -> tuple[Any, ...]:
    name = TITLES.get(c.statistic, c.statistic)
    if c.call:
        name = f"{c.call}{f' ({c.thread})' if c.thread else ''}: {name}, ms"
    elif c.statistic == "overruns":
        name = f"{name}, % of loops"
    elif c.statistic != "rate":
        name = f"{quantity} {name}, ms"
    p = c.p if c.p_holm is None else c.p_holm
    percent = c.percent
    span = "" if percent.low is None or percent.high is None else (
        f"{plus(percent.low, 2)} to {plus(percent.high, 2)}"
    )  # fmt: skip
    return (
        name, *_sides(c), plus(percent.value, 2), span,
        "-" if p is None else f"{p:.3f}" if p >= 0.001 else "<0.001",
        verdict, c.note.replace(" -> ", ", then "),
    )  # fmt: skip


def _sides(c: Change) -> tuple[Any, ...]:
    """Before, after and the change between them; counts as shares of the loops, which subtract."""
    before, after = c.before_share, c.after_share
    if before is not None and after is not None:
        return 100 * before, 100 * after, plus(100 * (after - before))
    own = (None if v is None else float(v) for v in (c.before, c.after))
    return (*own, plus(c.difference.value))


def gate_margins(found: GateResult) -> Picture | None:
    """How much of each limit is used; None where nothing has a limit."""
    rows = [r for r in found.rows if r.limit and r.value is not None]
    if not rows:
        return None
    rows.sort(key=lambda r: (r.verdict != "fail", -_used(r)))
    shown = rows[:_MOST_BARS]
    place = list(range(len(shown)))
    trace = bar(
        [100 * _used(r) for r in shown], place,
        [WARN if r.verdict == "fail" else NEUTRAL if r.verdict == "pass" else QUIET for r in shown],
        orientation="h", pattern=["x" if r.verdict == "fail" else "" for r in shown],
        customdata=[[_amount(r.value, r.unit), _amount(r.limit, r.unit), r.check] for r in shown],
        hovertemplate="%{y} (%{customdata[2]})<br>%{customdata[0]} of a limit of %{customdata[1]}"
        "<extra></extra>",
    )  # fmt: skip
    most = max(100.0, *(100 * _used(r) for r in shown))
    drawn = layout(
        axis("of its limit (%)", range=[0, 1.2 * most]),
        axis("", tickvals=place, ticktext=[text_in_plot(_row_name(r)) for r in shown],
             autorange="reversed", ticks=""),
        110 + 28 * len(shown),
    )  # fmt: skip
    drawn.update(line_at(100, "limit", "x"))
    drawn["annotations"][0].update(xanchor="center", yanchor="bottom")
    drawn["margin"]["t"] = 28
    worst = shown[0]
    over = _used(worst) > 1
    first, word = (
        ("Farthest over its limit", "beyond") if over else ("Nearest to its limit", "within")
    )
    title = (
        f"{first}: {label(worst.what, 40)}, {_amount(worst.value, worst.unit)} "
        f"{word} {_amount(worst.limit, worst.unit)}"
    )
    heads, table = gate_table(found)
    return Picture(
        "margins", title, {"data": [trace], "layout": drawn},
        f"{found.sentence} {title}.", heads, table,
        "Each figure of the new runs over its limit. A limit of the project file must hold in "
        "every run. One of the regression check is the largest value that the baseline's own "
        "scatter from run to run explains; a row fails only beyond that and both tolerances.",
    )  # fmt: skip


def _used(row: Row) -> float:
    return float(row.value or 0.0) / float(row.limit) if row.limit else 0.0


def _row_name(row: Row) -> str:
    verdict = row.verdict.upper() if row.verdict == "fail" else row.verdict
    return f"{label(row.what, 24)}: {verdict}"


def _amount(value: float | None, unit: str) -> str:
    if value is None:
        return "-"
    if unit == "share":
        return f"{number(100 * value)} %"
    return f"{number(value, 4)} {unit}"


def gate_table(found: GateResult) -> tuple[tuple[str, ...], tuple[tuple[Any, ...], ...]]:
    """Heads and rows of the gate: what fails first, then what cannot be told."""
    order = {"fail": 0, "can't tell": 1, "pass": 2}
    rows = sorted(found.rows, key=lambda r: order.get(r.verdict, 3))
    made = tuple(
        (r.check, r.what, _amount(r.value, r.unit), _amount(r.limit, r.unit),
         "" if r.change_percent is None else f"{plus(r.change_percent, 2)} %",
         r.verdict.upper() if r.verdict == "fail" else r.verdict, r.note)
        for r in rows
    )  # fmt: skip
    return ("check", "what", "value", "limit", "over the baseline", "verdict", "to be known"), made
