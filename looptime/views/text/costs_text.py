"""Where a loop's time goes as text: its calls, kinds and systems, other threads, buses."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import RenderableType
from rich.text import Text

from looptime.analysers.blocking import BLOCKING_KINDS, Blocking
from looptime.analysers.call_costs import CallCost, GroupCost
from looptime.analysers.summary import Summary
from looptime.schema import UNATTRIBUTED
from looptime.views.text.terminal import heading_line, number, safe, table
from looptime.views.text.text_parts import brief, indented, labelled, name_cell, percent

__all__ = [
    "render_buses",
    "render_calls",
    "render_contention",
    "render_groups",
    "render_other_threads",
]

_CALLS = 12


def render_calls(at: Summary) -> list[RenderableType]:
    """The calls of the loop, dearest first, and the part that none of them covers."""
    if not at.costs.calls:
        return []
    blocks = {b.name: b for b in at.blocking if b.on_loop_thread}
    rows = []
    shown = at.costs.rows[:_CALLS]
    if at.costs.unattributed not in shown:
        shown = (*shown[: _CALLS - 1], at.costs.unattributed)
    for call in shown:
        block = blocks.get(call.name)
        mark = "" if block is None else "b" if _sure(block, call) else "b?"
        rows.append(_call_row(call, mark))
    heads = ["call", "kind", "a loop", "ms/loop", "share", "p99 ms", "slow+", ""]
    left = len(at.costs.rows) - len(shown)
    note = (
        f"share of the {at.basis.judged}; slow+: ms more in slow loops than in typical ones; "
        "b: blocks the loop"
    )
    if any(row[-1] == "b?" for row in rows):
        note += ", b?: likely, by its name"
    if any(call.kind_from == "guessed" for call in shown):
        note += "; kind?: guessed from the name (--draft-project FILE, to state it)"
    return [
        heading_line("Where the time goes" + _thread(at)),
        indented(table(heads, rows, left=(0, 1))),
        indented(Text((f"and {left:,} more; " if left else "") + note)),
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
    note = f"and {left:,} more calls; " if left else ""
    note += "waiting is part of the call's ms/loop above"
    return [
        heading_line("Waiting for other threads"),
        indented(table(heads, rows, left=(0, 4, 5, 6))),
        indented(Text(note)),
    ]


def _sure(block: Blocking, call: CallCost) -> bool:
    return block.inferred or (call.kind in BLOCKING_KINDS and call.kind_from != "guessed")


def _thread(at: Summary) -> str:
    names = at.run.thread_names
    if len(names) < 2 or not 0 <= at.run.loop_thread < len(names):
        return ""
    return f" (the loop's thread, {safe(names[at.run.loop_thread], 20)})"


def _call_row(call: CallCost, mark: str) -> list[str | Text]:
    kind = "" if call.name == UNATTRIBUTED else call.kind.split()[-1]  # read, write, wait, ...
    kind += "?" if call.kind_from == "guessed" and kind not in ("", "other") else ""
    return [
        name_cell(call.name),
        kind,
        number(call.calls_per_loop, 2) if call.name != UNATTRIBUTED else "",
        brief(call.self_ms_per_loop),
        percent(call.share),
        brief(call.p99_ms),
        brief(call.slow_excess_ms, 2),
        mark,
    ]


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
