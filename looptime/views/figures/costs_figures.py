"""Figures of where each loop's time goes."""

from __future__ import annotations

from collections.abc import Sequence

from looptime.analysers.call_costs import CallCost, GroupCost
from looptime.analysers.summary import Summary
from looptime.schema import UNATTRIBUTED
from looptime.views.figures.palette import NEUTRAL, colour_of, pattern_of
from looptime.views.figures.picture import (
    Picture,
    axis,
    bar,
    kind_key,
    label,
    layout,
    percent,
    text_in_plot,
)
from looptime.views.text.terminal import number
from looptime.words import named

__all__ = ["GROUPS", "call_table", "cost_bars", "slow_against_typical", "waiting_bars"]

#: What costs can be added up by.
GROUPS = ("call", "kind", "subsystem", "device", "bus")
_MOST_BARS = 16


def cost_bars(at: Summary, by: str = "call") -> Picture:
    """Time a loop spends in each call, or kind, subsystem, device or bus; dearest first.

    Parameters
    ----------
    at : Summary
        The run.
    by : str
        One of `GROUPS`.

    Returns
    -------
    Picture
        What no call covers has a bar of its own, so that the bars add up to the loop.
    """
    rows: Sequence[CallCost | GroupCost] = at.costs.rows if by == "call" else at.costs.by(by)
    rows = [r for r in rows if r.self_ms_per_loop or r.share]
    shown = _with_unattributed(rows)
    names = [text_in_plot(label(r.name)) for r in shown]
    kinds = [_kind(r, by) for r in shown]
    trace = bar(
        [float(r.self_ms_per_loop) for r in shown], list(range(len(shown))),
        [NEUTRAL if k is None else colour_of(k) for k in kinds], orientation="h",
        pattern=["" if k is None else pattern_of(k) for k in kinds],
        text=[percent(r.share) if r.share is not None else "wait" for r in shown],
        textposition="outside", cliponaxis=False,
        customdata=[[text_in_plot(k or by), float(r.calls_per_loop)]
                    for r, k in zip(shown, kinds, strict=True)],
        hovertemplate="%{y}<br>%{x:.4g} ms a loop, %{text}<br>%{customdata[1]:.3g} calls a loop, "
        "%{customdata[0]}<extra></extra>", showlegend=False,
    )  # fmt: skip
    y = axis("", tickvals=list(range(len(shown))), ticktext=names, autorange="reversed", ticks="")
    key = kind_key(kinds) if by == "call" else []
    drawn = layout(
        axis("self time a loop (ms)", rangemode="tozero"), y, max(210, 120 + 26 * len(shown)),
        showlegend=bool(key), barmode="overlay",
    )  # fmt: skip
    drawn["margin"]["r"] = 64
    title = _cost_title(at, rows, by)
    table = tuple(
        (r.name, float(r.calls_per_loop), float(r.self_ms_per_loop), r.share, r.slow_excess_ms,
         r.variance_share) for r in rows
    )  # fmt: skip
    return Picture(
        f"costs-{by}", title, {"data": [trace, *key], "layout": drawn},
        f"Bars of self time a loop by {by}. {title}. The largest: " + ", ".join(
            f"{r.name} {number(r.self_ms_per_loop)} ms" for r in shown[:5]) + ".",
        (by, "calls a loop", "self ms a loop", f"share of the {at.basis.judged}",
         "more in slow loops, ms", "share of the variance"), table,
        "Self time is a call's time minus the calls nested in it, added up over the loop's thread "
        f"and divided by the loops. Shares are of the {at.basis.judged} and add up to 100 % with "
        "what no call covers."
        + (" A pacing wait has no share, since work is judged." if at.basis.judged == "work"
           else ""),
    )  # fmt: skip


def _with_unattributed(rows: Sequence[CallCost | GroupCost]) -> list[CallCost | GroupCost]:
    shown = list(rows[:_MOST_BARS])
    rest = [r for r in rows[_MOST_BARS:] if r.name == UNATTRIBUTED]
    return shown[: _MOST_BARS - 1] + rest if rest else shown


def _kind(row: CallCost | GroupCost, by: str) -> str | None:
    if row.name == UNATTRIBUTED:
        return UNATTRIBUTED
    if by == "kind":
        return row.name
    return row.kind if isinstance(row, CallCost) else None


def _cost_title(at: Summary, rows: Sequence[CallCost | GroupCost], by: str) -> str:
    named = [r for r in rows if r.share is not None and r.name != UNATTRIBUTED]
    if not named:
        return "The log has no calls, so all of the loop is unattributed"
    if by == "call":
        top, total = named[:3], 0.0
        total = sum(r.share or 0.0 for r in top)
        which = ", ".join(label(r.name, 40) for r in top)
        return f"{percent(total, 0)} of the {at.basis.judged} goes to {which}"
    top_one = named[0]
    return f"{label(top_one.name, 40)} takes {percent(top_one.share, 0)} of the {at.basis.judged}"


def slow_against_typical(at: Summary) -> Picture | None:
    """What slow loops take more than typical ones, by call; None where no loop is slow."""
    rows = [r for r in at.costs.rows if r.slow_excess_ms is not None]
    if not rows or at.costs.mean_excess_ms is None:
        return None
    rows.sort(key=lambda r: -abs(r.slow_excess_ms or 0.0))
    shown = rows[:10]
    kinds = [UNATTRIBUTED if r.name == UNATTRIBUTED else r.kind for r in shown]
    trace = bar(
        [float(r.slow_excess_ms or 0.0) for r in shown], list(range(len(shown))),
        [colour_of(k) for k in kinds], orientation="h", pattern=[pattern_of(k) for k in kinds],
        customdata=[[text_in_plot(k)] for k in kinds],
        hovertemplate="%{y}<br>%{x:+.4g} ms in a slow loop<br>%{customdata[0]}<extra></extra>",
        showlegend=False,
    )  # fmt: skip
    names = [text_in_plot(label(r.name)) for r in shown]
    y = axis("", tickvals=list(range(len(shown))), ticktext=names, autorange="reversed", ticks="")
    drawn = layout(
        axis("more in a slow loop than in a typical one (ms)", zeroline=True), y,
        max(210, 120 + 26 * len(shown)), showlegend=True, barmode="overlay",
    )  # fmt: skip
    first = rows[0]
    total = at.costs.mean_excess_ms
    title = (
        f"Slow loops take {number(total)} ms more; {label(first.name, 40)} makes up "
        f"{number(first.slow_excess_ms)} ms of it"
    )
    return Picture(
        "excess", title, {"data": [trace, *kind_key(kinds)], "layout": drawn},
        f"{title}. {at.costs.slow_loops:,} slow loops against {at.costs.typical_loops:,} typical.",
        ("call", "more in slow loops, ms"), tuple((r.name, r.slow_excess_ms) for r in rows),
        f"Mean self time in {at.costs.slow_loops:,} slow loops minus the mean in "
        f"{at.costs.typical_loops:,} typical ones (between the quarter and three-quarter points); "
        f"the bars add up to {number(total)} ms.",
    )  # fmt: skip


def waiting_bars(at: Summary) -> Picture | None:
    """What of each call is waiting for another thread; None where nobody is seen to wait."""
    calls = [(call, entry) for entry in at.contention.found for call in entry.by_call]
    calls.sort(key=lambda pair: -(pair[0].wait_ms_per_loop.value or 0.0))
    if not calls:
        return None
    shown = calls[:_MOST_BARS]
    place = list(range(len(shown)))
    waits = [float(c.wait_ms_per_loop.value or 0.0) for c, _ in shown]
    traces = [
        bar([c.service_ms_per_loop for c, _ in shown], place, NEUTRAL, orientation="h",
            name="service"),
        bar(waits, place, colour_of("wait"), orientation="h", name="waiting",
            pattern=[pattern_of("wait")] * len(shown)),
    ]  # fmt: skip
    ticks = [text_in_plot(label(c.name)) for c, _ in shown]
    y = axis("", tickvals=place, ticktext=ticks, autorange="reversed", ticks="")
    drawn = layout(
        axis("time a loop (ms)", rangemode="tozero"), y, max(210, 120 + 26 * len(shown)),
        showlegend=True, barmode="stack",
    )  # fmt: skip
    total = sum(e.wait_ms_per_loop.value or 0.0 for e in at.contention.found)
    partners = named([p for e in at.contention.found for p in e.partners])
    title = f"The loop waits {number(total)} ms a loop for {label(partners, 60)} on other threads"
    rows = tuple(
        (c.name, c.wait_ms_per_loop.value, c.wait_ms_per_loop.low, c.wait_ms_per_loop.high,
         c.service_ms_per_loop, ", ".join(e.partners), e.thread, e.lock, e.source)
        for c, e in calls
    )  # fmt: skip
    return Picture(
        "waiting", title, {"data": traces, "layout": drawn}, f"{title}, by call.",
        ("call", "waits, ms a loop", "from", "to", "service, ms a loop", "for", "thread", "lock",
         "known from"), rows,
        "Waiting lasts from a call's begin to the last end, within it, of a call of the other "
        "thread that shares its lock or bus; the rest is service.",
    )  # fmt: skip


def call_table(at: Summary) -> tuple[tuple[str, ...], tuple[tuple[object, ...], ...]]:
    """Heads and rows of the table of all calls, those of other threads last."""
    heads = (
        "call", "thread", "kind", "subsystem", "bus", "calls a loop", "self ms a loop", "share",
        "p50 ms", "p99 ms", "max ms", "more in slow loops, ms", "share of the variance",
    )  # fmt: skip
    others = [c for c in at.costs.calls if not c.on_loop_thread]
    rows = tuple(
        (c.name, c.thread, "" if c.name == UNATTRIBUTED else c.kind, c.subsystem or "", c.bus or "",
         c.calls_per_loop, c.self_ms_per_loop, c.share, c.p50_ms, c.p99_ms, c.max_ms,
         c.slow_excess_ms, c.variance_share) for c in [*at.costs.rows, *others]
    )  # fmt: skip
    return heads, rows
