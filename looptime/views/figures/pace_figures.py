"""Figures of how fast and how even the loop is."""

from textwrap import wrap
from typing import Any

import numpy as np

from looptime.analysers.recurs import Recurrence
from looptime.analysers.summary import Summary
from looptime.array_types import Float
from looptime.findings.about import how_often
from looptime.run import Run
from looptime.views.figures.palette import NEUTRAL, QUIET, WARN, colour_of, pattern_of
from looptime.views.figures.picture import (
    Picture,
    axis,
    bar,
    budget_line,
    envelope,
    kind_key,
    label,
    layout,
    level,
    log_axis,
    log_bins,
    loops_word,
    text_in_plot,
)
from looptime.views.text.terminal import count, number
from looptime.words import percent

__all__ = ["period_histogram", "rate_over_run", "recurrences"]

_MOST_MARKED = 300
_DRAW_ALL = 6000


def period_histogram(at: Summary, by: str = "loops") -> Picture:
    """How long the loops are, on a logarithmic axis.

    Parameters
    ----------
    at : Summary
        The run.
    by : {"loops", "time"}
        Count each loop once, or by how long it lasts: the share of the time that is spent in
        loops of this length.
    """
    period = at.basis.period_ms
    edges = log_bins(period)
    if not len(edges):
        return _nothing("periods", "There are no loops to count")
    place = np.clip(np.searchsorted(edges, period, side="right") - 1, 0, len(edges) - 2)
    weights = period if by == "time" else np.ones(len(period))
    share = np.bincount(place, weights=weights, minlength=len(edges) - 1)
    each = np.bincount(place, minlength=len(edges) - 1)
    share = share / max(weights.sum(), 1e-300)
    middle = np.sqrt(edges[:-1] * edges[1:])
    loops = _one_of_each(at.run, place, len(middle))
    what = "time" if by == "time" else "loops"
    budget = at.pace.overruns.budget_ms
    line = budget_line(budget, edges, at.pace.overruns.title)
    ends = (edges[0], edges[-1], *([budget] if line and budget is not None else []))
    x = log_axis("period (ms, logarithmic)", min(ends), max(ends))
    drawn = layout(x, axis(f"share of the {what} (%)", rangemode="tozero"), bargap=0,
                   dragmode="select", selectdirection="h")  # fmt: skip
    trace = bar(
        middle, 100 * share, NEUTRAL, width=np.diff(edges).tolist(),
        customdata=[[int(n), float(a), float(b), int(c), loops_word(int(c))]
                    for n, a, b, c in zip(loops, edges[:-1], edges[1:], each, strict=True)],
        hovertemplate="%{customdata[1]:.4g} to %{customdata[2]:.4g} ms<br>%{y:.3g} % of the "
        + what + "<br>%{customdata[3]} %{customdata[4]}, one of them: loop %{customdata[0]}"
        "<extra></extra>",
    )  # fmt: skip
    drawn.update(line)
    rows = tuple(
        (float(a), float(b), int(c), float(s))
        for a, b, c, s in zip(edges[:-1], edges[1:], each, share, strict=True) if c
    )  # fmt: skip
    title = _pace_title(at, by)
    return Picture(
        "periods", title, {"data": [trace], "layout": drawn},
        f"Histogram of {count(len(period), 'period')} from {number(edges[0])} to "
        f"{number(edges[-1])} ms. {title}.",
        ("from ms", "to ms", "loops", f"share of the {what}"), rows,
        "Bins of equal width in the logarithm from the shortest to the longest period, weighted "
        + ("by each loop's length" if by == "time" else "one for each loop")
        + ". The warm-up is left out unless it is kept.",
    )  # fmt: skip


def _pace_title(at: Summary, by: str) -> str:
    p, over = at.pace.period_ms, at.pace.overruns
    if by == "time":
        half = at.pace.period_by_time_ms["p50"]
        return f"Half of the time passes in loops longer than {number(half)} ms"
    text = f"Half of the loops take up to {number(p.p50.value)} ms, 99 % up to "
    text += f"{number(p.p99.value)} ms"
    if over.budget_ms is not None and over.count:
        text += f"; {over.count:,} ({percent(over.share)}) {'is' if over.count == 1 else 'are'} "
        text += f"over the {over.title} of {number(over.budget_ms)} ms"
    return text


def _one_of_each(run: Run, place: Any, bins: int) -> Any:
    """Number of one loop in each bin: the middle one in time; -1 in an empty bin."""
    order = np.argsort(place, kind="stable")
    first = np.searchsorted(place[order], np.arange(bins))
    each = np.bincount(place, minlength=bins)
    made = np.full(bins, -1)
    full = each > 0
    made[full] = run.loop_columns.loop[order[(first + each // 2)[full]]]
    return made


def rate_over_run(at: Summary, whole: Run | None = None) -> Picture:
    """Periods along the run, slow loops marked and the warm-up shaded.

    Parameters
    ----------
    at : Summary
        The part of the run that is looked at.
    whole : Run, optional
        The run with its warm-up, which is then shown too.
    """
    run = at.run if whole is None or at.phase is not None else whole
    start = run.loop_columns.start_ns
    if not len(start):
        return _nothing("rate", "There are no loops to show")
    t = (start - at.basis.origin_ns) / 1e9
    period = run.loop_columns.period_ns / 1e6
    begin, low, middle, high = envelope(t, period, len(t) if len(t) <= _DRAW_ALL else 2000)
    data: list[dict[str, Any]] = [
        {
            "type": "scatter", "mode": "lines", "x": begin.tolist(), "y": level.tolist(),
            "line": {"color": colour, "width": width}, "hoverinfo": "skip", "name": name,
            **({"fill": "tonexty", "fillcolor": "rgba(133,141,150,0.28)"} if fill else {}),
        }
        for level, colour, width, name, fill in (
            (low, QUIET, 0.6, "shortest", False), (high, QUIET, 0.6, "longest", True),
            (middle, NEUTRAL, 1.4, "middle", False),
        )
    ]  # fmt: skip
    if len(begin) == len(t):
        data = [_all_periods(run, t, period)]
    else:
        data[-1].update(_longest_of_each(run, period, len(begin)))
    paced = at.basis.judged == "work"
    if paced:  # the wait hides what is slow: it is seen in the work alone
        data[-1]["line"] = {"color": QUIET, "width": 1}
        data[-1]["name"] = "period"
        data.append(_work(at))
    data.append(_slow_points(at))
    drawn = layout(
        axis("time since the start (s)"),
        axis("period and work (ms)" if paced else "period (ms)", rangemode="tozero"),
        dragmode="select", selectdirection="h", hovermode="closest",
        showlegend=paced or at.pace.overruns.budget_ms is not None,
    )  # fmt: skip
    shapes, notes = [], []
    budget = at.pace.overruns.budget_ms
    if budget is not None:
        line, key = level(budget, f"{at.pace.overruns.title} {number(budget)} ms")
        shapes.append(line)
        data.insert(-1, key)  # the marks lie on top
    if at.warmup.loops and run is not at.run:
        shapes.append(_shade(float(t[0]), float(t[0]) + at.warmup.seconds))
        notes.append({"text": at.warmup.what, "x": float(t[0]), "y": 1, "yref": "paper",
                      "xanchor": "left", "yanchor": "top", "showarrow": False})  # fmt: skip
    drawn.update(shapes=shapes, annotations=notes)
    rows = _by_stretch(t, period)
    title = _rate_title(at)
    return Picture(
        "rate", title, {"data": data, "layout": drawn},
        f"Period of each loop over {number(at.pace.duration_s)} s. {title}. " + _marked(at),
        ("from s", "to s", "loops", "rate 1/s", "shortest ms", "middle ms", "longest ms"), rows,
        f"Each loop's start-to-start time{', and its work below it' if paced else ''}; a long run "
        "is drawn as the shortest, middle and longest "
        f"period in {len(begin):,} stretches of equal count. {_marked(at)} Slow are loops "
        f"{at.slow.limit(at.basis.judged)} (4 robust standard deviations "
        "above the running median), or rare ones over the budget.",
    )  # fmt: skip


def _marked(at: Summary) -> str:
    spells = len(at.slow.events)
    if spells > _MOST_MARKED:
        return f"Of {spells:,} slow events the worst {_MOST_MARKED} are marked."
    return f"{spells:,} slow events are marked." if spells else "No loop is slow."


def _all_periods(run: Run, t: Float, period: Float) -> dict[str, Any]:
    return {
        "type": "scatter", "mode": "lines", "x": t.tolist(), "y": period.tolist(),
        "line": {"color": NEUTRAL, "width": 1}, "name": "period",
        "customdata": [[int(n), 1e3 / p if p else None]
                       for n, p in zip(run.loop_columns.loop, period.tolist(), strict=True)],
        "hovertemplate": "loop %{customdata[0]} at %{x:.3f} s<br>%{y:.4g} ms, "
        "%{customdata[1]:.3g} a second<extra></extra>",
    }  # fmt: skip


def _longest_of_each(run: Run, period: Float, stretches: int) -> dict[str, Any]:
    """The longest loop of each stretch, which a click on the stretch chooses."""
    edges = np.linspace(0, len(period), stretches + 1).astype(np.int64)[:-1]
    longest = [k + int(np.argmax(part)) for k, part in
               zip(edges.tolist(), np.split(period, edges[1:]), strict=True)]  # fmt: skip
    return {
        "customdata": [[int(run.loop_columns.loop[k]), float(period[k])] for k in longest],
        "hoverinfo": None,
        "hovertemplate": "from %{x:.3f} s: middle %{y:.4g} ms<br>longest %{customdata[1]:.4g} ms, "
        "loop %{customdata[0]}<extra></extra>",
    }


def _work(at: Summary) -> dict[str, Any]:
    """The longest work in each stretch of the run, above which the slow loops are marked."""
    t = (at.run.loop_columns.start_ns - at.basis.origin_ns) / 1e9
    work = at.basis.judged_ns / 1e6
    begin, _, _, high = envelope(t, work, len(t) if len(t) <= _DRAW_ALL else 2000)
    return {
        "type": "scatter", "mode": "lines", "x": begin.tolist(), "y": high.tolist(),
        "line": {"color": NEUTRAL, "width": 1.2}, "name": "work", "hovertemplate":
        "work from %{x:.3f} s: up to %{y:.4g} ms<extra></extra>",
    }  # fmt: skip


def _slow_points(at: Summary) -> dict[str, Any]:
    events = at.slow.events[:_MOST_MARKED]
    number_of = at.run.loop_columns.loop
    start = at.run.loop_columns.start_ns
    index = np.array([e.index for e in events], np.int64)
    return {
        "type": "scatter", "mode": "markers", "name": "slow loops",
        "x": ((start[index] - at.basis.origin_ns) / 1e9).tolist(),
        "y": [float(e.worst_ms) for e in events],
        "marker": {"color": WARN, "size": 6, "symbol": "diamond-open", "line": {"width": 1.5}},
        "customdata": [[int(number_of[e.index]), text_in_plot(label(e.culprit)),
                        text_in_plot(e.cause)] for e in events],
        "hovertemplate": "slow: loop %{customdata[0]} at %{x:.3f} s<br>%{y:.4g} ms of "
        f"{at.basis.judged}<br>"
        "%{customdata[2]}: %{customdata[1]}<extra></extra>",
    }  # fmt: skip


def _shade(x0: float, x1: float) -> dict[str, Any]:
    return {
        "type": "rect", "x0": x0, "x1": x1, "y0": 0, "y1": 1, "yref": "paper", "layer": "below",
        "fillcolor": "rgba(133,141,150,0.30)", "line": {"width": 0},
    }  # fmt: skip


def _by_stretch(t: Float, period: Float, most: int = 40) -> tuple[tuple[Any, ...], ...]:
    """The run in stretches of equal count, as a table."""
    rows = []
    for part in np.array_split(np.arange(len(t)), min(most, len(t))):
        p = period[part]
        rows.append(
            (float(t[part[0]]), float(t[part[-1]] + p[-1] / 1e3), len(part),
             float(1e3 * len(p) / p.sum()) if p.sum() > 0 else None,
             float(p.min()), float(np.median(p)), float(p.max()))
        )  # fmt: skip
    return tuple(rows)


def _rate_title(at: Summary) -> str:
    text = f"{number(at.pace.rate_hz.by_time)} loops a second"
    changes = at.changes
    if changes.better and changes.of[-1] == "calls":
        text += ", the same level throughout, while the time in calls changes"
    elif changes.better == "drift" and changes.drift is not None:
        drift = changes.drift.relative
        text += f", {'slower' if drift > 0 else 'faster'} by {percent(abs(drift))} over the run"
    elif changes.better == "steps" and changes.change_points:
        at_s = ", ".join(number(p.time_s) for p in changes.change_points[:3])
        text += f", with a change of level at {at_s} s"
    elif changes.drift is not None:
        text += ", the same level throughout"
    if at.slow.count:
        hold = "holds" if at.slow.count == 1 else "hold"
        text += f"; {count(at.slow.count, 'slow loop')} {hold} "
        text += f"{percent(at.slow.time_share)} of the time"
    return text


def recurrences(at: Summary) -> Picture | None:
    """Stalls that come back, by how often and how high; None where there are none."""
    found = [r for r in at.recurrence.most if not r.alternates_with]
    if not found:
        return None
    names = [text_in_plot(label(_who(r))) for r in found]
    every = [how_often(r) for r in found]
    short = [_in_two_lines(how.partition(" (")[0]) for how in every]
    kind_of = {n.name: n.kind for n in at.run.names}
    kinds = [kind_of.get(r.call or "") for r in found]
    data = [
        bar(
            [r.height_ms for r in found], list(range(len(found))),
            [NEUTRAL if k is None else colour_of(k) for k in kinds], orientation="h",
            pattern=["" if k is None else pattern_of(k) for k in kinds], showlegend=False,
            text=short, textposition="outside", cliponaxis=False,
            customdata=[[int(r.loops[0]) if r.loops else -1, r.count, how]
                        for r, how in zip(found, every, strict=True)],
            hovertemplate="%{x:.3g} ms %{customdata[2]}<br>%{customdata[1]} times, first in loop "
            "%{customdata[0]}<extra></extra>",
        ),
        *kind_key(kinds),
    ]  # fmt: skip
    y = axis("", tickvals=list(range(len(found))), ticktext=names, autorange="reversed", ticks="")
    drawn = layout(axis("height of the stall (ms)", rangemode="tozero"), y, 140 + 40 * len(found),
                   showlegend=any(kinds), barmode="overlay")  # fmt: skip
    drawn["margin"]["r"] = 24 + 7 * max(len(line) for how in short for line in how.split("<br>"))
    first = found[0]
    title = f"{_who(first, True)} takes {number(first.height_ms)} ms more {every[0]}"
    rows = tuple(
        (_who(r), how, r.mechanism, r.every_ms, r.every_loops, float(r.height_ms), r.count,
         r.possible) for r, how in zip(found, every, strict=True)
    )  # fmt: skip
    return Picture(
        "recurrence", title, {"data": data, "layout": drawn},
        f"{len(found)} rhythms: " + "; ".join(
            f"{_who(r)} {number(r.height_ms)} ms {how}"
            for r, how in zip(found, every, strict=True)) + ".",
        ("what", "how often", "rule", "every ms", "every loops", "height ms", "times",
         "possible"), rows,
        "Each gap between two times bounds the rule: every so many loops, or when so much time has "
        "gone by, looked for once a loop. Stalls that no rows stand for are tested for a beat "
        "(H-test). The height is the median time that one of them takes.",
    )  # fmt: skip


def _in_two_lines(text: str, most: int = 28) -> str:
    """Text broken once at a space, the second line cut where it is too long.

    Examples
    --------
    >>> _in_two_lines("each time 100 ms have gone by since it last began")
    'each time 100 ms have gone<br>by since it last began'
    """
    first, *rest = wrap(text, most)
    return f"{first}<br>{label(' '.join(rest), most)}" if rest else first


def _who(at: Recurrence, first: bool = False) -> str:
    """The call or calls behind it; a call's name is written as it is, even at the beginning."""
    whole = "The loop as a whole" if first else "the loop as a whole"
    return at.call or (" with ".join(at.together) if at.together else whole)


def _nothing(key: str, text: str) -> Picture:
    drawn = layout(axis("period (ms)"), axis(""))
    return Picture(key, text, {"data": [], "layout": drawn}, text + ".", ("",), (), "")
