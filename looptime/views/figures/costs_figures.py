"""Figures of where each loop's time goes."""

import math
from collections.abc import Collection, Sequence
from typing import Any
from urllib.parse import urlencode

from looptime.analysers.summary import Summary
from looptime.schema import UNATTRIBUTED
from looptime.views.figures.cost_rows import CostRow, alike, as_rows, with_rest
from looptime.views.figures.palette import NEUTRAL, colour_of, pattern_of
from looptime.views.figures.picture import Picture, axis, bar, kind_key, label, layout, text_in_plot
from looptime.views.text.terminal import number
from looptime.words import named, percent

__all__ = ["GROUPS", "call_table", "cost_bars", "slow_against_typical", "waiting_bars"]

#: What costs can be added up by.
GROUPS = ("call", "kind", "subsystem", "device", "bus")
_MOST_BARS, _MOST_EXCESS = 16, 10


def cost_bars(at: Summary, by: str = "call", opened: Collection[str] = ()) -> Picture:
    """Time a loop spends in each call, or kind, subsystem, device or bus; dearest first.

    Parameters
    ----------
    at : Summary
        The run.
    by : str
        One of `GROUPS`.
    opened : collection of str
        Patterns of like calls that are shown one by one; others have one bar together.

    Returns
    -------
    Picture
        What no call covers has a bar of its own, and what is left out has one, so that the bars
        add up to the loop.
    """
    rows = alike(at.costs.rows, opened) if by == "call" else as_rows(at.costs.by(by))
    rows = [r for r in rows if r.self_ms_per_loop or r.share]
    shown = with_rest(rows, _MOST_BARS)
    kinds = [_kind(r, by) for r in shown]
    trace = _bars(shown, opened, [float(r.self_ms_per_loop) for r in shown], kinds,
                  [percent(r.share) if r.share is not None else "wait" for r in shown])  # fmt: skip
    trace["hovertemplate"] = (
        "%{y}<br>%{x:.4g} ms a loop, %{text}<br>%{customdata[1]:.3g} calls a loop, "
        "%{customdata[0]}<extra></extra>"
    )
    key = kind_key(kinds) if by == "call" else []
    drawn = _bar_layout("self time a loop (ms)", shown, rangemode="tozero", showlegend=bool(key))
    drawn["margin"]["r"] = 64
    title = _cost_title(at, rows, by)
    table = tuple(
        (r.words, float(r.calls_per_loop), float(r.self_ms_per_loop), r.share, r.slow_excess_ms,
         r.variance_share) for r in rows
    )  # fmt: skip
    total = math.fsum(r.self_ms_per_loop for r in shown)
    return Picture(
        f"costs-{by}", title, {"data": [trace, *key], "layout": drawn},
        f"Bars of self time a loop by {by}. {title}. The largest: " + ", ".join(
            f"{r.words} {number(r.self_ms_per_loop)} ms" for r in shown[:5]) + ".",
        (by, "calls a loop", "self ms a loop", f"share of the {at.basis.judged}",
         "more in slow loops, ms", "share of the variance"), table,
        "Self time is a call's time minus the calls nested in it, added up over the loop's thread "
        f"and divided by the loops. The bars add up to {number(total)} ms, the mean period. Shares "
        f"are of the {at.basis.judged} and add up to 100 % with what no call covers."
        + (" A pacing wait has no share, since work is judged." if at.basis.judged == "work"
           else ""),
    )  # fmt: skip


def _bars(
    shown: Sequence[CostRow], opened: Collection[str], long: list[float],
    kinds: Sequence[str | None], text: list[str],
) -> dict[str, Any]:  # fmt: skip
    """Bars that say how to go on from a click: to the members of a group, or to a call's page."""
    return bar(
        long, list(range(len(shown))), [NEUTRAL if k is None else colour_of(k) for k in kinds],
        orientation="h", pattern=["" if k is None else pattern_of(k) for k in kinds], text=text,
        textposition="outside", cliponaxis=False, showlegend=False,
        customdata=[[text_in_plot(k or ""), float(r.calls_per_loop), _onward(r, opened)]
                    for r, k in zip(shown, kinds, strict=True)],
    )  # fmt: skip


def _onward(row: CostRow, opened: Collection[str]) -> str:
    """Where a click on a bar leads: the page, if another, and what is chosen there."""
    if row.members:
        return "?" + urlencode([("open", name) for name in (*opened, row.name)])
    whole = row.kind and row.name != UNATTRIBUTED
    return "/call?" + urlencode({"call": row.name}) if whole else ""


def _bar_layout(title: str, shown: Sequence[CostRow], **more: Any) -> dict[str, Any]:
    values = more.pop("values", None)
    said = [""] * len(shown) if values is None else [f": {v:+.3g}" for v in values]
    names = [text_in_plot(label(r.words) + s) for r, s in zip(shown, said, strict=True)]
    y = axis("", tickvals=list(range(len(shown))), ticktext=names, autorange="reversed", ticks="")
    legend = more.pop("showlegend")
    return layout(axis(title, **more), y, max(210, 120 + 26 * len(shown)),
                  showlegend=legend, barmode="overlay")  # fmt: skip


def _kind(row: CostRow, by: str) -> str | None:
    if row.name == UNATTRIBUTED:
        return UNATTRIBUTED
    if by == "kind":
        return row.name
    return row.kind or None


def _cost_title(at: Summary, rows: Sequence[CostRow], by: str) -> str:
    named = [r for r in rows if r.share is not None and r.name != UNATTRIBUTED]
    if not named:
        return "The log has no calls, so all of the loop is unattributed"
    top = named[:3] if by == "call" else named[:1]
    which = ", ".join(label(r.words, 40) for r in top)
    total = percent(math.fsum(r.share or 0.0 for r in top))
    if by == "call":
        return f"{total} of the {at.basis.judged} goes to {which}"
    return f"{which} takes {total} of the {at.basis.judged}"


def slow_against_typical(at: Summary, opened: Collection[str] = ()) -> Picture | None:
    """What slow loops take more than typical ones, by call; None where no loop is slow."""
    rows = [r for r in alike(at.costs.rows, opened) if r.slow_excess_ms is not None]
    if not rows or at.costs.mean_excess_ms is None:
        return None
    rows.sort(key=lambda r: -abs(r.slow_excess_ms or 0.0))
    shown = with_rest(rows, _MOST_EXCESS)
    kinds = [_kind(r, "call") for r in shown]
    more = [float(r.slow_excess_ms or 0.0) for r in shown]
    trace = _bars(shown, opened, more, kinds, [""] * len(shown))
    trace["hovertemplate"] = (
        "%{y}<br>%{x:+.4g} ms in a slow loop<br>%{customdata[0]}<extra></extra>"
    )
    drawn = _bar_layout("more in slow loops (ms)", shown, zeroline=True,
                        showlegend=True, values=more)  # fmt: skip
    waited = at.costs.tick_wait_ms  # made by the calls that miss a tick
    first = max(rows, key=lambda r: abs((r.slow_excess_ms or 0.0)
                                        - waited * (r.name == UNATTRIBUTED)))  # fmt: skip
    total = at.costs.mean_excess_ms
    title = (
        f"Slow loops take {number(total)} ms more; {label(first.words, 40)} "
        f"{'make' if first.members else 'makes'} up {number(first.slow_excess_ms)} ms of it"
    )
    return Picture(
        "excess", title, {"data": [trace, *kind_key(kinds)], "layout": drawn},
        f"{title}. {at.costs.slow_loops:,} slow loops against {at.costs.typical_loops:,} typical.",
        ("call", "more in slow loops, ms"), tuple((r.words, r.slow_excess_ms) for r in rows),
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
        "call", "self ms a loop", "share", "p50 ms", "p99 ms", "max ms", "more in slow loops, ms",
        "share of the variance", "calls a loop", "kind", "thread", "subsystem", "bus",
    )  # fmt: skip
    others = [c for c in at.costs.calls if not c.on_loop_thread]
    rows = tuple(
        (c.name, c.self_ms_per_loop, c.share, c.p50_ms, c.p99_ms, c.max_ms, c.slow_excess_ms,
         c.variance_share, c.calls_per_loop, "" if c.name == UNATTRIBUTED else c.kind, c.thread,
         c.subsystem or "", c.bus or "") for c in [*at.costs.rows, *others]
    )  # fmt: skip
    return heads, rows
