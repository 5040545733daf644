"""Comparisons and gates as text."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rich.console import RenderableType
from rich.text import Text

from looptime.checks.compare.change import in_words
from looptime.checks.compare.wording import together
from looptime.views.text.change_text import (
    TITLES,
    amount,
    cut_lines,
    inset,
    interval,
    line,
    p_value,
    sides,
    signed,
)
from looptime.views.text.terminal import caution, count, heading_line, number, safe, table
from looptime.views.text.told import Told, why
from looptime.words import listed, shell_word

if TYPE_CHECKING:
    from looptime.checks.compare.change import Change
    from looptime.checks.compare.comparison import Comparison
    from looptime.checks.gate.gate import GateResult
    from looptime.checks.gate.limits import Row
    from looptime.checks.recording.facts import Facts

__all__ = ["render_comparison", "render_gate"]

_CALLS = 10
# a part of so many times the change says that there is hardly any change
_TELLS = 10.0
_PARTS = 8
# rows that fail that are told in words, and names in one line
_WHY = 3
_NAMES = 8


def _name(facts: Facts) -> str:
    words = [safe(facts.name, 40)]
    if facts.label and facts.label not in facts.name:
        words.append(safe(facts.label, 24))
    if facts.version:
        words.append(f"version {safe(facts.version, 16)}")
    words.append(f"{facts.loops:,} loops")
    return ", ".join(words)


def render_comparison(found: Comparison, options: str = "") -> Told:
    """A comparison: the verdict in words, what is unlike, the figures, what explains them.

    `options` are those under which the logs were read, as they are typed behind a command.
    """
    paces = [u for u in found.unlike if u.what == "pace"]  # their sentences come first
    lead, (first, *more) = found.sentences[: len(paces)], found.sentences[len(paces) :]
    answer = first
    if not found.recordings:
        same = first.lower().startswith(found.verdict)
        said = first[len(found.verdict) :] if same else f". {first}"
        answer = f"Verdict: {found.verdict}{said}"
    apart = [u for u in found.unlike if u.what in ("robot", "layout", "pacing")]
    if apart:
        answer = f"Look out: {'; '.join(u.text for u in apart)}. {answer}"
    answer = " ".join((*lead, answer))
    shift = found.gain_shift.sentence if found.gain_shift else ""
    starts = [u for u in found.unlike if u.what == "warmup"]
    begin = [f"{u.text[0].upper()}{u.text[1:]}." for u in starts]
    told = [text for text in (*begin, *more[:2], shift, *more[2:]) if text]
    rest = [line(f"- {u.text}") for u in found.unlike if u not in (*apart, *starts, *paces)]
    tables = (
        (heading_line("Unlike between the sides"), *rest) if rest else (),
        (heading_line(f"Before and after ({found.window_s:.4g} s of each run)"),
         inset(_changes_table(found)), *_two_ways(found), *_why_open(found)),
        tuple(_explained(found)), tuple(_call_rows(found)), tuple(_came_and_went(found)),
        tuple(_shift(found)),
    )  # fmt: skip
    books: list[RenderableType] = []
    for side, runs in (("before", found.before), ("after", found.after)):
        shown = [_name(f) for f in runs[:4]] + ([f"{len(runs) - 4} more"] if runs[4:] else [])
        books.append(line(f"{side:<7}" + "; ".join(shown)))
    books += cut_lines((*found.before, *found.after))
    kept = _WHY + bool(together(found))
    further = [*(line(text) for text in told[kept:]), *_notes(found.changes)]
    why_so = (*(line(text) for text in told[:kept]), *why("", _one_phase(found, options)))
    return Told(answer, why_so, tuple(t for t in tables if t), tuple(further), tuple(books))


def _one_phase(found: Comparison, options: str) -> str:
    """The command that compares the longest phase alone, where several are taken together."""
    if not together(found):
        return ""
    sides = (" ".join(shell_word(f.source) for f in runs) for runs in (found.before, found.after))
    before, after = sides
    longest = max(found.before[0].phases, key=lambda one: one[1])[0]
    return f"looptime compare {before} --against {after} --phase {shell_word(longest)}{options}"


def _came_and_went(found: Comparison) -> Iterator[RenderableType]:
    """Calls that only one side holds, the dearest first."""
    if not found.replaced:
        return
    yield heading_line("Calls that only one side holds (ms a loop)")
    shown = found.replaced[:_PARTS]
    rows = [
        [_many(r.before, r.before_name), number(r.before_ms) if r.before else "-",
         _many(r.after, r.after_name), number(r.after_ms) if r.after else "-"]
        for r in shown
    ]  # fmt: skip
    yield inset(table(["before", "ms", "after", "ms"], rows, left=(0, 2)))
    if len(found.replaced) > len(shown):
        yield line(f"and {len(found.replaced) - len(shown)} more")


def _many(calls: Sequence[str], name: str) -> str:
    return (f"{len(calls)} x " if len(calls) > 1 else "") + safe(name or "-", 36)


def _share(share: float | None) -> str:
    return "-" if share is None or abs(share) > _TELLS else f"{round(100 * share)} %"


def _changes_table(found: Comparison) -> RenderableType:
    percent = "% less trend" if found.without_trend else "%"
    heads = [f"{found.quantity}, ms", "before", "after", "change", percent, "95 %", "p", "verdict"]
    rows = [
        [
            TITLES.get(c.statistic, c.statistic),
            *sides(c), signed(c.percent.value), interval(c.percent),
            p_value(c.p if c.p_holm is None else c.p_holm), c.verdict,
        ]
        for c in found.changes
    ]  # fmt: skip
    return table(heads, rows, left=(0, 7))


def _two_ways(found: Comparison) -> list[RenderableType]:
    """What tells the change from its per cent, where a trend is taken out of these alone."""
    if not found.without_trend:
        return []
    return [line("change: as recorded; %: with the trend along the session taken out")]


def _why_open(found: Comparison) -> Iterator[RenderableType]:
    """Why figures are open that seem to have moved: what a row of the table lacks of its reason.

    That is one that was not judged, one whose interval is clear of 0, or whose p is small.
    """
    said: dict[str, list[str]] = {}
    for c in found.changes:
        if c.verdict == "can't tell" and (reason := _open_reason(c)):
            said.setdefault(reason, []).append(TITLES.get(c.statistic, c.statistic))
    for reason, names in said.items():
        yield line(f"{listed(names, 9)}: {reason}")


def _open_reason(c: Change) -> str:
    low, high = c.percent.low, c.percent.high
    clear = low is not None and high is not None and low * high > 0
    if c.note and (c.p is None or clear):
        return c.note
    if not clear:
        return ""
    if c.statistic == "rate":
        return "as sure as the mean, which it follows"
    return "the interval is that figure's own; p is corrected for how many are asked at once"


def _notes(changes: Sequence[Change]) -> Iterator[RenderableType]:
    for c in changes:
        shown = c.verdict == "can't tell" and _open_reason(c) == c.note
        if c.note and c.note != "the same recording" and not shown:
            yield line(f"{TITLES.get(c.statistic, c.statistic)}: {c.note}")


def _explained(found: Comparison) -> Iterator[RenderableType]:
    at = found.explained
    yield heading_line("What explains the change of the mean (ms a loop; the parts add up to it)")
    moved = [p for p in at.parts if p.difference_ms or p.before_ms]
    rows = [
        [safe(p.name, 32), number(p.before_ms), number(p.after_ms), signed(p.difference_ms, 3),
         _share(p.share)]
        for p in moved[:_PARTS]
    ]  # fmt: skip
    rest = moved[_PARTS:]
    if rest:
        sums = [sum(getattr(p, k) for p in rest) for k in ("before_ms", "after_ms")]
        share = sum(p.share or 0.0 for p in rest)
        rows.append(
            [f"{len(rest)} more", number(sums[0]), number(sums[1]),
             signed(sums[1] - sums[0], 3), _share(share)]
        )  # fmt: skip
    rows.append(
        [f"mean {at.quantity}", number(at.before_ms), number(at.after_ms),
         signed(at.difference_ms, 3), ""]
    )  # fmt: skip
    yield inset(table(["call", "before", "after", "change", "share"], rows))
    if at.cancels:
        up, down = (math.fsum(p.difference_ms for p in at.parts if sign * p.difference_ms > 0)
                    for sign in (1, -1))  # fmt: skip
        yield line(
            f"no shares: the parts cancel, {signed(up, 3)} and {signed(down, 3)} ms make"
            f" {signed(at.difference_ms, 3)} ms"
        )


def _would_be_seen(found: Comparison) -> str:
    """What change of a call would have been seen; of figures that scatter much, that hardly any."""
    seen = sorted(c.seen_percent for c in found.calls if c.seen_percent is not None)
    if not seen:
        return ""
    text = f"; {in_words(seen[len(seen) // 2])} % would have been seen in half of them"
    vague = sum(percent > 100 for percent in seen)
    return text + (
        f", in {vague} not even a doubling" if vague else f", {in_words(seen[-1])} % in each"
    )


def _call_rows(found: Comparison) -> Iterator[RenderableType]:
    if not found.calls:
        return
    told = [c for c in found.calls if c.verdict in ("slower", "faster")]
    listed = found.worth_a_look
    yield heading_line("Calls (self time a loop; as many are asked at once, p is adjusted)")
    shown = [*told, *listed][:_CALLS]
    if not shown:
        judged = sum(c.p is not None for c in found.calls)
        none = f"no change seen in any of {judged} figures{_would_be_seen(found)}" if judged else ""
        others = len(found.calls) - judged
        left = f"{others} could not be judged" if others else ""
        yield line("; ".join(filter(None, (none, left))))
        return
    rows = [
        [safe(c.call, 28) + (f" ({safe(c.thread, 12)})" if c.thread else ""), c.statistic,
         number(c.before), number(c.after), signed(c.percent.value), p_value(c.p_holm),
         c.verdict if c in told else "look here"]
        for c in shown
    ]  # fmt: skip
    yield inset(
        table(["call", "figure", "before", "after", "%", "p", "verdict"], rows, left=(0, 1, 6))
    )


def _shift(found: Comparison) -> Iterator[RenderableType]:
    if not found.shift:
        return
    yield heading_line("Shift along the distribution (ms)")
    heads = ["share of loops", *(f"{s.percent:g} %" for s in found.shift)]
    rows = [
        ["before", *(number(s.before_ms) for s in found.shift)],
        ["after", *(number(s.after_ms) for s in found.shift)],
        ["change", *(signed(s.difference_ms.value) for s in found.shift)],
    ]
    yield inset(table(heads, rows))


def render_gate(found: GateResult, all_rows: bool = False) -> Told:
    """A gate: the verdict, why, one table of what decides, then what it rests on."""
    reasons = [line(_why(r)) for r in found.failed[:_WHY]]
    if len(found.failed) > _WHY:
        reasons.append(line(f"and {len(found.failed) - _WHY} more"))
    if found.failed:
        reasons.append(
            inset(caution("a gate is about timing only; it says nothing about safe motion"))
        )
    rows = [r for r in found.rows if all_rows or _worth_showing(r)]
    tables: list[tuple[RenderableType, ...]] = []
    if rows:
        heads = ["check", "what", "value", "limit", "change", "verdict"]
        shown = inset(table(heads, [_gate_row(r) for r in rows], left=(0, 1, 5)))
        tables.append((Text(""), shown, *(() if all_rows else _kept_back(found, rows))))
    notes = tuple(
        line(f"{r.what}: {r.note}{f' ({r.source})' if r.source else ''}")
        for r in rows
        if r.note and not r.call and (r.verdict != "pass" or r.note.startswith("s"))
    )
    books = [line(f"new      {_name(facts)}") for facts in found.new]
    if found.baseline:
        versions = dict.fromkeys(f.version or "?" for f in found.baseline)
        text = f"{count(len(found.baseline), 'run')}, version {', '.join(map(str, versions))}"
        books.append(line(f"baseline {text}"))
    books += [line(found.left_out)] if found.left_out else []
    books += cut_lines((*found.new, *found.baseline))
    more = [line(f"note: {note}") for note in found.notes if note != found.left_out]
    return Told(found.sentence, tuple(reasons), (*tables, *((notes,) if notes else ())),
                tuple(more), tuple(books))  # fmt: skip


def _why(row: Row) -> str:
    change = "" if row.change_percent is None else f", {signed(row.change_percent)} %"
    value, limit = amount(row.value, row.unit), amount(row.limit, row.unit)
    note = f": {row.note}" if row.note else ""
    return f"{safe(row.what, 60)} is {value}, its limit {limit}{change}{note}"


def _kept_back(found: GateResult, rows: Sequence[Row]) -> Iterator[RenderableType]:
    """Calls that are not in the table: how many passed, and the names of those not judged."""
    kept = [r for r in found.rows if r not in rows]
    passed = [r for r in kept if r.verdict == "pass"]
    if passed:
        yield line(f"{len(passed)} calls' figures pass and are not listed (--all lists them)")
    for verdict in ("can't tell", "not judged", "not comparable"):
        names = [safe(r.what, 40) for r in kept if r.verdict == verdict]
        if names:
            yield line(f"{verdict}: {listed(names, _NAMES)}")


def _worth_showing(row: Row) -> bool:
    return not row.call or row.check == "limit" or row.verdict == "fail"


def _gate_row(row: Row) -> list[str]:
    change = "" if row.change_percent is None else f"{signed(row.change_percent)} %"
    return [
        row.check, safe(row.what, 40), amount(row.value, row.unit), amount(row.limit, row.unit),
        change, row.verdict.upper() if row.verdict == "fail" else row.verdict,
    ]  # fmt: skip
