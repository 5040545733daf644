"""Where a loop's time goes as text: its calls, kinds and systems, other threads, buses."""

import math
from collections.abc import Mapping, Sequence

from rich.console import RenderableType
from rich.text import Text

from looptime.analysers.call_costs import CallCost, GroupCost, like_calls, total
from looptime.analysers.summary import Summary
from looptime.schema import UNATTRIBUTED
from looptime.views.text.terminal import count, heading_line, number, safe, table
from looptime.views.text.text_parts import brief, indented, labelled, name_cell, percent
from looptime.words import LEAST_MS

__all__ = [
    "CALLS",
    "render_buses",
    "render_calls",
    "render_contention",
    "render_groups",
    "render_other_threads",
    "rows_of_calls",
]

#: Rows of calls that a summary shows where there is room.
CALLS = 10


def render_calls(at: Summary, grouped_up: bool = True, most: int = CALLS) -> list[RenderableType]:
    """The calls of the loop, dearest first, and the part that none of them covers.

    Like calls are one row, whose figures are the sums of theirs; else each has its own. What is
    more than `most` rows is one, too.
    """
    if not at.costs.calls:
        return []
    groups = _groups(at) if grouped_up else [(c.name, [c]) for c in _calls(at)]
    waits = {c.name: c.wait_ms_per_loop.value for e in at.contention.found for c in e.by_call}
    rows = [_row(pattern, members, waits) for pattern, members in groups[:most]]
    rest = [c for _, members in groups[most:] for c in members]
    if grouped_up and rest:
        rows.append(_row(f"{len(rest)} more calls", rest, waits, named=False))
    elif rest:
        rows += [_row(c.name, [c], waits) for c in rest]
    rows.append(_row(UNATTRIBUTED, [at.costs.unattributed], waits, named=False))
    heads = ["call", "kind", "a loop", "ms/loop", "share", "p99 ms", "in slow", "waits"]
    if not any(row[-1] for row in rows):
        heads, rows = heads[:-1], [row[:-1] for row in rows]
    note = f"share of the {at.basis.judged}; in slow: ms more in slow loops than in typical ones"
    if at.costs.tick_wait_ms > 0:
        note += f", {brief(at.costs.tick_wait_ms, 2)} of {UNATTRIBUTED} wait for a later tick"
    if any(str(row[1]).endswith("?") for row in rows):
        note += "; kind?: guessed from the name"
    title = "Where the time goes" if grouped_up else "Every call of the loop"
    return [
        heading_line(title + _thread(at)),
        indented(table(heads, rows, left=(0, 1))),
        indented(Text(note)),
        *([indented(Text(meanwhile))] if grouped_up and (meanwhile := _meanwhile(at)) else []),
    ]


def _calls(at: Summary) -> list[CallCost]:
    return [c for c in at.costs.rows if c.name != UNATTRIBUTED]


def _groups(at: Summary) -> list[tuple[str, list[CallCost]]]:
    return like_calls(_calls(at))


def rows_of_calls(at: Summary) -> int:
    """Rows of a table of the loop's calls, in which like ones are one."""
    return len(_groups(at))


def _meanwhile(at: Summary, most: int = 4) -> str:
    """The dearest calls of other threads in a line, which the table of the loop leaves out."""
    others = [c for c in at.costs.calls if not c.on_loop_thread]
    others.sort(key=lambda c: -c.self_ms_per_loop)
    told = [f"{safe(c.name, 26)} {brief(c.self_ms_per_loop)} ({safe(c.thread, 14)})"
            for c in others[:most]]  # fmt: skip
    more = f", {len(others) - most} more" if len(others) > most else ""
    return f"on other threads, ms/loop: {', '.join(told)}{more}" if told else ""


def _row(
    pattern: str, members: Sequence[CallCost], waits: Mapping[str, float | None],
    named: bool = True,
) -> list[str | Text]:  # fmt: skip
    kind = members[0].kind.split()[-1] if named else ""  # read, write, wait, ...
    kind += "?" if members[0].kind_from == "guessed" and kind not in ("", "other") else ""
    alone = len(members) == 1
    many = f"{len(members)} x " if named and not alone else ""
    own, share = (total(members, key) or 0.0 for key in ("self_ms_per_loop", "share"))
    if -LEAST_MS < own < 0:  # rounding of the parts
        own = share = 0.0
    waiting = math.fsum(waits.get(c.name) or 0.0 for c in members)
    return [
        name_cell(many + pattern, 30),
        kind,
        number(total(members, "calls_per_loop") or 0.0, 2) if named else "",
        brief(own),
        percent(share),
        brief(members[0].p99_ms) if alone else "",
        brief(total(members, "slow_excess_ms") or 0.0, 2),
        brief(waiting) if waiting else "",
    ]


def render_other_threads(at: Summary) -> list[RenderableType]:
    """What other threads do meanwhile."""
    others = [c for c in at.costs.calls if not c.on_loop_thread]
    parts: list[RenderableType] = []
    if others:
        parts.append(heading_line("Other threads"))
        heads = ["call", "thread", "a loop", "ms/loop", "p50 ms", "p99 ms", "max ms"]
        other_rows = [
            [name_cell(c.name, 26), safe(c.thread, 14), number(c.calls_per_loop),
             number(c.self_ms_per_loop), number(c.p50_ms), number(c.p99_ms), number(c.max_ms)]
            for c in others[:6]
        ]  # fmt: skip
        parts.append(indented(table(heads, other_rows, left=(0, 1))))
    return parts


def render_contention(at: Summary, most: int = 4) -> list[RenderableType]:
    """Which calls wait for another thread, and what of their time is service."""
    rows = []
    for entry in at.contention.found:
        for call in entry.by_call[:most]:
            wait = call.wait_ms_per_loop
            rows.append(
                [name_cell(call.name, 26), brief(wait.value), f"{brief(wait.low)} to "
                 f"{brief(wait.high)}", brief(call.service_ms_per_loop),
                 name_cell(entry.partners[0], 22), safe(entry.thread, 14), entry.lock]
            )  # fmt: skip
    if not rows:
        return []
    heads = ["call", "waits ms/loop", "95 %", "served", "for", "thread", "lock"]
    left = sum(max(len(e.by_call) - most, 0) for e in at.contention.found)
    note = f"and {count(left, 'more call')}; " if left else ""
    where = "timed above as calls of its own" if _apart(at) else "part of the call's ms/loop above"
    note += f"waiting is {where}"
    return [
        heading_line("Waiting for other threads"),
        indented(table(heads, rows, left=(0, 4, 5, 6))),
        indented(Text(note)),
    ]


def _apart(at: Summary) -> bool:
    """Whether what calls wait is timed beside them, so that their own time is all service."""
    own = {c.name: c.self_ms_per_loop for c in at.costs.calls}
    by_call = [call for entry in at.contention.found for call in entry.by_call]
    waits = sum(call.wait_ms_per_loop.value or 0.0 for call in by_call)
    served = sum(call.service_ms_per_loop for call in by_call)
    return served + waits / 2 > sum(own.get(call.name, 0.0) for call in by_call)


def _thread(at: Summary) -> str:
    names = at.run.thread_names
    if len(names) < 2 or not 0 <= at.run.loop_thread < len(names):
        return ""
    return f" (the loop's thread, {safe(names[at.run.loop_thread], 20)})"


def render_groups(at: Summary) -> list[RenderableType]:
    """Shares of the kinds of call and of the subsystems, a line each."""
    if not at.costs.calls:
        return []
    lines = []
    for label, word in (("kind", "kinds"), ("subsystem", "systems")):
        groups = [g for g in at.costs.by(label) if g.share]
        if {g.name for g in groups} - {"(none)", UNATTRIBUTED}:
            lines.append(labelled(word, _group_line(groups)))
    return lines


def _group_line(groups: Sequence[GroupCost]) -> str:
    shown = [f"{safe(g.name, 24)} {percent(g.share)}" for g in groups[:7]]
    return ", ".join(shown) + (f", {len(groups) - 7} more" if len(groups) > 7 else "")


def render_buses(at: Summary) -> list[RenderableType]:
    """How often and how long each bus is used."""
    if not at.buses.buses:
        return []
    rows = [
        [safe(b.bus, 20), number(b.transactions_per_loop), number(b.ms_per_loop),
         percent(b.share), number(b.other_transactions_per_loop), number(b.other_ms_per_loop),
         percent(b.busy_share)]
        for b in at.buses.buses
    ]  # fmt: skip
    heads = ["bus", "a loop", "ms/loop", "share", "others a loop", "others ms", "busy"]
    return [heading_line("Buses"), indented(table(heads, rows))]
