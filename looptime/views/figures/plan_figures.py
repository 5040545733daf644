"""Figures of plans: what remedies would do to the loop, to reading ages and to buses."""

from typing import Any

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float, Int
from looptime.planner.answer.intervals import Side
from looptime.planner.answer.predict import Prediction
from looptime.views.figures.palette import AFTER, BEFORE
from looptime.views.figures.picture import (
    Picture,
    axis,
    bar,
    budget_line,
    error_bars,
    label,
    layout,
    log_axis,
    log_bins,
    log_range,
    loops_word,
    text_in_plot,
    three,
)
from looptime.views.text.terminal import count, figure, number
from looptime.words import changed, percent

__all__ = [
    "bus_use", "call_costs", "contributions", "plan_basis", "plan_verdict", "predicted_histogram",
    "reading_ages", "sides_table", "signed",
]  # fmt: skip

_MOST_BARS = 10


def signed(at: Figure, digits: int = 3) -> str:
    """A change with its sign, and its interval where its ends differ.

    Examples
    --------
    >>> signed(Figure(-4.3, -4.8, -3.9)), signed(Figure(0.5, 0.5, 0.5)), signed(Figure())
    ('-4.30 (-4.80 to -3.90)', '+0.5', '-')
    """
    ends = (at.low, at.high)
    if at.low is None or at.high is None or at.high - at.low < 0.001:
        ends = (None, None)
    return changed(at.value, *ends, digits)


def plan_verdict(at: Prediction) -> str:
    """What a plan does to the loop, in one sentence without its full stop."""
    what = "loop" if at.judged == "period" else "loop's work"
    if at.until:
        return f"Can't tell until {at.until}. {at.open_ends}"
    if at.verdict == "can't tell" or at.change_ms.value is None:
        return f"Can't tell whether the {what} gets faster: its mean changes by " + (
            f"{signed(at.change_ms)} ms"
        )
    return f"The {what} gets {at.verdict}: its mean changes by {signed(at.change_ms)} ms"


def plan_basis(at: Prediction) -> str:
    """How many loops a plan rests on, and what its intervals are for."""
    text = f"From {count(at.loops, 'loop')}"
    if at.sampled:
        text += f", a sample of {at.loops_in_log:,}"
    if at.warmup_loops:
        text += f"; the first {count(at.warmup_loops, 'loop')} left out as warm-up"
    source = {"log": "as this log wanders", "season": "from the season"}.get(
        at.run_sd_from, at.run_sd_from
    )
    return (
        f"{text}. Intervals are {at.change_ms.level_text}, for a recording still to come, with "
        f"{number(at.run_sd_percent, 2)} % from run to run ({source})."
    )


def predicted_histogram(
    recorded_ms: Float, at: Prediction, by: str = "loops", loops: Int | None = None
) -> Picture:
    """The predicted periods beside the recorded ones, on a logarithmic axis.

    Parameters
    ----------
    recorded_ms : float array, shape (n,) [ms]
        Periods of the loops that the plan rests on.
    at : Prediction
        The plan; its run holds the predicted periods.
    by : {"loops", "time"}
        Count each loop once, or by how long it lasts.
    loops : int array, shape (n,), optional
        Number of each recorded loop as logged, for the hover text.
    """
    after_ms = at.run.loop_columns.period_ns / 1e6
    edges = log_bins(np.concatenate([recorded_ms, after_ms]), 80)
    numbers = at.run.loop_columns.loop
    before = _shares(recorded_ms, edges, by, loops)
    after = _shares(after_ms, edges, by, numbers if len(numbers) == len(after_ms) else None)
    what = "time" if by == "time" else "loops"
    data = [
        _bins(before, edges, what, "recorded", BEFORE, ""),
        _bins(after, edges, what, "predicted", AFTER, "/"),
    ]
    drawn = layout(
        log_axis("period (ms, logarithmic)", edges[0], edges[-1], range=log_range(edges)),
        axis(f"share of the {what} (%)", rangemode="tozero"),
        bargap=0, barmode="overlay", showlegend=True,
    )  # fmt: skip
    over = at.baseline.overruns
    drawn.update(budget_line(None if over is None else float(over["budget_ms"]), edges))
    title = plan_verdict(at)
    rate = f"{number(at.baseline.rate_hz.value)} to {number(at.predicted.rate_hz.value)}"
    rows = tuple(
        (float(a), float(b), float(x), float(y))
        for a, b, x, y in zip(edges[:-1], edges[1:], before[0], after[0], strict=True) if x or y
    )  # fmt: skip
    return Picture(
        "predicted", title, {"data": data, "layout": drawn},
        f"Two histograms of periods, recorded and predicted. {title}; the loop rate goes from "
        f"{rate} a second.",
        ("from ms", "to ms", f"recorded: share of the {what}", f"predicted: share of the {what}"),
        rows,
        "Each recorded loop is played again with the changes made: calls are dropped, merged, "
        "moved or put on a thread, and what follows comes so much earlier or later. Bins of equal "
        "width in the logarithm. Where something is not known, such as who gets a shared bus "
        "first, both ends are played and the interval holds both; the drawn prediction is the "
        "middle.",
    )  # fmt: skip


def _shares(period: Float, edges: Float, by: str, loops: Int | None) -> tuple[Float, Float, Int]:
    """Share of each bin, count of each bin, and the number of one loop in it (-1 for none)."""
    bins = len(edges) - 1
    place = np.clip(np.searchsorted(edges, period, side="right") - 1, 0, bins - 1)
    weights = period if by == "time" else np.ones(len(period))
    share = np.bincount(place, weights=weights, minlength=bins) / max(float(weights.sum()), 1e-300)
    one = np.full(bins, -1, np.int64)
    if loops is not None and len(loops) == len(place):
        one[place] = loops
    return share, np.bincount(place, minlength=bins).astype(float), one


def _bins(
    shares: tuple[Float, Float, Int], edges: Float, what: str, name: str,
    colour: str, pattern: str,
) -> dict[str, Any]:  # fmt: skip
    share, each, one = shares
    some = ["" if n < 0 else f", one of them: loop {n}" for n in one.tolist()]
    return bar(
        np.sqrt(edges[:-1] * edges[1:]), 100 * share, colour, pattern=pattern, name=name,
        width=np.diff(edges).tolist(), opacity=0.72,
        customdata=[[float(a), float(b), int(c), s, loops_word(int(c))]
                    for a, b, c, s in zip(edges[:-1], edges[1:], each, some, strict=True)],
        hovertemplate=f"{name}: " + "%{customdata[0]:.4g} to %{customdata[1]:.4g} ms<br>%{y:.3g} % "
        f"of the {what}" + "<br>%{customdata[2]} %{customdata[4]}%{customdata[3]}<extra></extra>",
    )  # fmt: skip


def contributions(at: Prediction) -> Picture:
    """What each change does to the mean, in the order in which they are made, and alone."""
    shown = at.changes
    names = [text_in_plot(f"{label(c.text, 30)}: {_signed_text(c.in_order_ms)}") for c in shown]
    place = list(range(len(shown)))
    value = [c.in_order_ms.value for c in shown]
    trace = bar(
        [0.0 if v is None else float(v) for v in value], place, AFTER, orientation="h",
        error_x=error_bars([c.in_order_ms for c in shown]),
        customdata=[[text_in_plot(label(c.text, 80)), _signed_text(c.alone_ms)] for c in shown],
        hovertemplate="%{customdata[0]}<br>in this order %{x:+.3g} ms<br>alone %{customdata[1]} ms"
        "<extra></extra>",
    )  # fmt: skip
    y = axis("", tickvals=place, ticktext=names, autorange="reversed", ticks="")
    low, high = _reach([c.in_order_ms for c in shown])
    room = 0.1 * max(high - low, 1e-9)
    drawn = layout(
        axis("change of the mean (ms)", zeroline=True,
             range=[low - room * (1 if low < 0 else 0.1), high + room * (1 if high > 0 else 0.1)]),
        y, 110 + 40 * len(shown),
    )  # fmt: skip
    best = min(shown, key=lambda c: c.in_order_ms.value or 0.0)
    if (best.in_order_ms.value or 0.0) < -0.0005:
        title = f"{label(best.text, 60)} does most: {signed(best.in_order_ms)} ms a loop"
    else:
        title = "None of these changes makes the loop shorter"
    rows = tuple(
        (c.text, *three(c.in_order_ms), *three(c.alone_ms)) for c in shown
    )  # fmt: skip
    return Picture(
        "contributions", title, {"data": [trace], "layout": drawn},
        f"{title}. " + "; ".join(f"{c.text}: {signed(c.in_order_ms)} ms" for c in shown) + ".",
        ("change", "in this order, ms", "low", "high", "alone, ms", "low", "high"), rows,
        "Each change is added to those above it, and the difference of the means is its own part; "
        "alone is the same without the others. Lines show both ends of what is not known.",
    )  # fmt: skip


def _signed_text(at: Figure) -> str:
    return "needs the others" if at.value is None else changed(at.value, None, None)


def _reach(figures: list[Figure]) -> tuple[float, float]:
    ends = [float(v) for f in figures for v in (f.value, f.low, f.high) if v is not None]
    return min([0.0, *ends]), max([0.0, *ends])


def reading_ages(at: Prediction) -> Picture | None:
    """How old each reading is when it is put to use, before and after; None without readings."""
    was, now = at.baseline.age_at_first_use_ms, at.predicted.age_at_first_use_ms
    names = list(dict.fromkeys([*now, *was]))
    if not names:
        return None
    names.sort(key=lambda n: (n not in now, -abs(_age(now, n, "p95") - _age(was, n, "p95"))))
    gone = [n for n in names if n not in now]
    shown = [n for n in names if n in now][:_MOST_BARS]
    if not shown:
        return None
    place = list(range(len(shown)))
    data = [
        bar(
            [_age(side, n, "p95") if n in side else None for n in shown], place, colour,
            orientation="h", name=name,
            pattern=pattern, error_x=error_bars([_figure(side, n, "p95") for n in shown]),
            customdata=[[_age(side, n, "mean"), _age(side, n, "max")] for n in shown],
            hovertemplate="%{y}, " + name + "<br>p95 %{x:.4g} ms, mean %{customdata[0]:.4g}, "
            "at most %{customdata[1]:.4g}<extra></extra>",
        )
        for side, name, colour, pattern in (
            (was, "recorded", BEFORE, ""), (now, "predicted", AFTER, "/"),
        )
    ]  # fmt: skip
    y = axis("", tickvals=place, ticktext=[text_in_plot(label(n)) for n in shown],
             autorange="reversed", ticks="")  # fmt: skip
    drawn = layout(
        axis("age at first use, p95 (ms)", rangemode="tozero"), y,
        110 + 44 * len(shown), showlegend=True,
    )  # fmt: skip
    most = next((n for n in shown if n in was), shown[0])
    gap = _age(now, most, "p95") - _age(was, most, "p95") if most in was else 0.0
    if abs(gap) < 0.0005:
        title = "No reading gets older or younger"
    else:
        title = (
            f"{label(most, 40)} gets {'older' if gap > 0 else 'younger'}: 95 % of its readings "
            f"are at most {number(_age(now, most, 'p95'))} ms old at first use, "
            f"{number(_age(was, most, 'p95'))} ms before"
        )
    rows = tuple(
        (n, *(side_value for k in ("mean", "p95", "max")
              for side_value in (*three(was.get(n, {}).get(k)), *three(now.get(n, {}).get(k)))))
        for n in names
    )  # fmt: skip
    heads = ["reading"]
    for k in ("mean", "p95", "max"):
        heads += [f"{k} before, ms", "low", "high", f"{k} after, ms", "low", "high"]
    return Picture(
        "ages", title, {"data": data, "layout": drawn}, title + ".", tuple(heads), rows,
        "From when a reading is taken to each loop's first actuator write, else, in a log without "
        "writes, to the loop's end. A reading that comes less often, or from a thread, is older "
        "when it is used: that is the price of these remedies.",
        (f"No longer read one by one: {', '.join(label(n, 40) for n in gone[:12])}"
         f"{' and more' if len(gone) > 12 else ''}.",) if gone else (),
    )  # fmt: skip


def _figure(side: dict[str, dict[str, Figure]], name: str, what: str) -> Figure:
    return side.get(name, {}).get(what, Figure())


def _age(side: dict[str, dict[str, Figure]], name: str, what: str) -> float:
    return float(_figure(side, name, what).value or 0.0)


def bus_use(at: Prediction) -> Picture | None:
    """How much of the time each bus is in use, before and after; None without buses."""
    was, now = at.baseline.bus, at.predicted.bus
    names = list(dict.fromkeys([*was, *now]))
    if not names:
        return None
    place = list(range(len(names)))
    data = [
        bar(
            [100 * _age(side, n, "utilisation") for n in names], place, colour, orientation="h",
            name=name, pattern=pattern,
            error_x=error_bars([_figure(side, n, "utilisation").scaled(100) for n in names]),
            customdata=[[_age(side, n, "wait_ms_per_loop")] for n in names],
            hovertemplate="%{y}, " + name + "<br>in use %{x:.3g} % of the time<br>the loop waits "
            "%{customdata[0]:.3g} ms a loop for it<extra></extra>",
        )
        for side, name, colour, pattern in (
            (was, "recorded", BEFORE, ""), (now, "predicted", AFTER, "/"),
        )
    ]  # fmt: skip
    y = axis("", tickvals=place, ticktext=[text_in_plot(label(n)) for n in names],
             autorange="reversed", ticks="")  # fmt: skip
    drawn = layout(axis("bus in use (% of the time)", range=[0, 105]), y, 120 + 56 * len(names),
                   showlegend=True)  # fmt: skip
    busiest = max(names, key=lambda n: _age(now, n, "utilisation"))
    title = (
        f"Bus {label(busiest, 30)} is then in use {percent(_age(now, busiest, 'utilisation'))} "
        f"of the time, {percent(_age(was, busiest, 'utilisation'))} now"
    )
    waits = {n: _figure(now, n, "wait_ms_per_loop") for n in names}
    worst = max(names, key=lambda n: _age(now, n, "wait_ms_per_loop"))
    if (waits[worst].value or 0.0) > 0.0005:
        at_worst = waits[worst]
        title += (
            f"; the loop waits {figure(at_worst.value, at_worst.low, at_worst.high)} ms a loop "
            f"for {label(worst, 30)}"
        )
    rows = tuple(
        (n, *three(_figure(was, n, "utilisation")), *three(_figure(now, n, "utilisation")),
         *three(_figure(was, n, "wait_ms_per_loop")), *three(waits[n]))
        for n in names
    )  # fmt: skip
    return Picture(
        "buses", title, {"data": data, "layout": drawn}, title + ".",
        ("bus", "in use before", "low", "high", "in use after", "low", "high",
         "loop waits before, ms", "low", "high", "loop waits after, ms", "low", "high"),
        rows,
        "Time in which at least one call on the bus is under way, over the whole time; waits are "
        "those of the loop's thread for a bus that another thread holds.",
    )  # fmt: skip


def sides_table(at: Prediction) -> tuple[tuple[str, ...], tuple[tuple[Any, ...], ...]]:
    """Heads and rows of the loop's figures before and after, with their intervals.

    Where a plan lies open between cases, each has a column.
    """
    after = [case.predicted for case in at.cases] or [at.predicted]
    sides = [_sides(at.baseline, one) for one in after]
    rows = tuple(
        (of[0][0], _cell(of[0][1]), *(_cell(now) for _, _, now in of))
        for of in zip(*sides, strict=True)
    )
    heads = [f"with {case.what}" for case in at.cases] or ["predicted"]
    return ("", "recorded", *heads), rows


def _sides(before: Side, after: Side) -> list[tuple[str, Figure, Figure]]:
    rows = [("loops a second", before.rate_hz, after.rate_hz)]
    rows += [(f"period {k}, ms", before.period_ms[k], after.period_ms[k]) for k in before.period_ms]
    for k in after.work_ms or before.work_ms:
        rows.append((f"work {k}, ms", before.work_ms.get(k, Figure()),
                     after.work_ms.get(k, Figure())))  # fmt: skip
    if before.overruns is not None and after.overruns is not None:
        budget = number(before.overruns["budget_ms"])
        rows.append((f"loops over {budget} ms, %", before.overruns["share"].scaled(100),
                     after.overruns["share"].scaled(100)))  # fmt: skip
        rows.append((f"time in loops over {budget} ms, %",
                     before.overruns["time_share"].scaled(100),
                     after.overruns["time_share"].scaled(100)))  # fmt: skip
    return rows


def _cell(at: Figure) -> str:
    return figure(at.value, at.low, at.high)


def call_costs(at: Prediction) -> tuple[tuple[str, ...], tuple[tuple[Any, ...], ...]]:
    """Heads and rows of the calls' costs before and after, those that change most first."""
    was = {(r["name"], r["thread"]): r for r in at.baseline.calls}
    now = {(r["name"], r["thread"]): r for r in at.predicted.calls}

    def cost(side: dict[tuple[str, str], Any], key: tuple[str, str]) -> Figure:
        made: Figure = side[key]["self_ms_per_loop"] if key in side else Figure()
        return made

    keys = list(dict.fromkeys([*was, *now]))
    keys.sort(key=lambda k: -abs((cost(now, k).value or 0.0) - (cost(was, k).value or 0.0)))
    rows = tuple(
        (name, thread, (was.get((name, thread)) or now[name, thread])["kind"],
         _value(cost(was, (name, thread))), *three(cost(now, (name, thread))))
        for name, thread in keys
    )  # fmt: skip
    return ("call", "thread", "kind", "recorded, ms a loop", "predicted, ms a loop", "low",
            "high"), rows  # fmt: skip


def _value(at: Figure) -> float | None:
    return None if at.value is None else float(at.value)
