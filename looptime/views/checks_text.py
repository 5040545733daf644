"""Comparisons, gates and seasons as text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rich.console import RenderableType
from rich.padding import Padding
from rich.text import Text

from looptime.checks.change import in_words
from looptime.views.terminal import caution, count, heading_line, number, plain, safe, table

if TYPE_CHECKING:
    from looptime.analysers.figure import Figure
    from looptime.checks.adding import Added
    from looptime.checks.change import Change
    from looptime.checks.comparison import Comparison
    from looptime.checks.entries import Entry
    from looptime.checks.facts import Facts
    from looptime.checks.gate import GateResult
    from looptime.checks.limits import Row
    from looptime.checks.merge import Totals
    from looptime.checks.season import Listed
    from looptime.checks.trends import RobotSpread, Trend, Trends

__all__ = [
    "render_added",
    "render_comparison",
    "render_entry",
    "render_gate",
    "render_season",
    "render_totals",
    "render_trends",
]

_CALLS = 10
_PARTS = 8
_TITLES = {"worst1": "worst 1 %", "worst5": "worst 5 %", "rate": "loops/s", "overruns": "overruns"}
_LONG = 400


def _indent(part: RenderableType) -> RenderableType:
    return Padding(part, (0, 0, 0, 2))


def _line(text: str) -> RenderableType:
    return _indent(plain(text, _LONG))


def _signed(value: float | None, digits: int = 2) -> str:
    if value is None:
        return "-"
    return ("+" if value > 0 else "") + number(value, digits)


def _interval(figure: Figure) -> str:
    if figure.low is None or figure.high is None:
        return ""
    return f"{_signed(figure.low)} to {_signed(figure.high)}"


def _p(p: float | None) -> str:
    if p is None:
        return "-"
    return "<0.001" if p < 0.001 else f"{p:.3f}"


def _name(facts: Facts) -> str:
    words = [safe(facts.name, 40)]
    if facts.label and facts.label not in facts.name:
        words.append(safe(facts.label, 24))
    if facts.version:
        words.append(f"version {safe(facts.version, 16)}")
    words.append(f"{facts.loops:,} loops")
    return ", ".join(words)


def render_comparison(found: Comparison) -> list[RenderableType]:
    """A comparison: what is unlike, the verdict in words, the figures, what explains them."""
    parts: list[RenderableType] = []
    if found.unlike:
        parts.append(heading_line("Unlike between the sides"))
        parts += [_line(f"- {u.text}") for u in found.unlike]
    parts.append(heading_line(f"Verdict: {found.verdict}"))
    parts += [_line(text) for text in found.sentences]
    parts.append(heading_line(f"Before and after ({found.window_s:.4g} s of each run)"))
    for side, runs in (("before", found.before), ("after", found.after)):
        shown = [_name(f) for f in runs[:4]] + ([f"{len(runs) - 4} more"] if runs[4:] else [])
        parts.append(_line(f"{side:<7}" + "; ".join(shown)))
    parts.append(_indent(_changes_table(found)))
    parts += _notes(found.changes)
    return parts + list(_explained(found)) + list(_call_rows(found)) + list(_shift(found))


def _share(share: float | None) -> str:
    return "-" if share is None else f"{round(100 * share)} %"


def _changes_table(found: Comparison) -> RenderableType:
    heads = [f"{found.quantity}, ms", "before", "after", "change", "%", "95 %", "p", "verdict"]
    rows = [
        [
            _TITLES.get(c.statistic, c.statistic),
            _side(c.before, c.statistic),
            _side(c.after, c.statistic),
            _signed(c.difference.value), _signed(c.percent.value), _interval(c.percent),
            _p(c.p if c.p_holm is None else c.p_holm), c.verdict,
        ]
        for c in found.changes
    ]  # fmt: skip
    return table(heads, rows, left=(0, 7))


def _side(value: float | None, statistic: str) -> str:
    if value is None or statistic != "overruns":
        return number(value, 4)
    return f"{value:.0f}" if value == round(value) else f"{value:.1f}"


def _notes(changes: Sequence[Change]) -> Iterator[RenderableType]:
    for c in changes:
        if c.note and c.note != "the same recording":
            yield _line(f"{_TITLES.get(c.statistic, c.statistic)}: {c.note}")


def _explained(found: Comparison) -> Iterator[RenderableType]:
    at = found.explained
    yield heading_line("What explains the change of the mean (ms a loop; the parts add up to it)")
    moved = [p for p in at.parts if p.difference_ms or p.before_ms]
    rows = [
        [safe(p.name, 32), number(p.before_ms), number(p.after_ms), _signed(p.difference_ms, 3),
         _share(p.share)]
        for p in moved[:_PARTS]
    ]  # fmt: skip
    rest = moved[_PARTS:]
    if rest:
        sums = [sum(getattr(p, k) for p in rest) for k in ("before_ms", "after_ms")]
        share = sum(p.share or 0.0 for p in rest)
        rows.append(
            [f"{len(rest)} more", number(sums[0]), number(sums[1]),
             _signed(sums[1] - sums[0], 3), _share(share)]
        )  # fmt: skip
    rows.append(
        [f"mean {at.quantity}", number(at.before_ms), number(at.after_ms),
         _signed(at.difference_ms, 3), ""]
    )  # fmt: skip
    yield _indent(table(["call", "before", "after", "change", "share"], rows))


def _call_rows(found: Comparison) -> Iterator[RenderableType]:
    if not found.calls:
        return
    told = [c for c in found.calls if c.verdict in ("slower", "faster")]
    listed = [c for c in found.ranking if c not in told]
    yield heading_line("Calls (self time a loop; verdicts by Holm over calls and figures)")
    shown = [*told, *listed][:_CALLS]
    if not shown:
        seen = [c.seen_percent for c in found.calls if c.seen_percent is not None]
        most = f"; at least {in_words(max(seen))} % would have been seen in each" if seen else ""
        yield _line(f"no change seen in any of {len(found.calls)} figures{most}")
        return
    rows = [
        [safe(c.call, 28) + (f" ({safe(c.thread, 12)})" if c.thread else ""), c.statistic,
         number(c.before), number(c.after), _signed(c.percent.value), _p(c.p_holm),
         c.verdict if c in told else "look here"]
        for c in shown
    ]  # fmt: skip
    yield _indent(
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
        ["change", *(_signed(s.difference_ms.value) for s in found.shift)],
    ]
    yield _indent(table(heads, rows))


def render_gate(found: GateResult, all_rows: bool = False) -> list[RenderableType]:
    """A gate: what was checked, one table, and one last line with the verdict."""
    parts: list[RenderableType] = []
    for facts in found.new:
        parts.append(_line(f"new      {_name(facts)}"))
    if found.baseline:
        versions = dict.fromkeys(f.version or "?" for f in found.baseline)
        text = f"{len(found.baseline)} runs, version {', '.join(map(str, versions))}"
        parts.append(_line(f"baseline {text}"))
    parts += [_line(f"note: {note}") for note in found.notes]
    rows = [r for r in found.rows if all_rows or _worth_showing(r)]
    if rows:
        heads = ["check", "what", "value", "limit", "change", "verdict"]
        cells = [_gate_row(r) for r in rows]
        parts.append(_indent(table(heads, cells, left=(0, 1, 5))))
    if len(rows) < len(found.rows):
        hidden = len(found.rows) - len(rows)
        text = f"{hidden} calls' figures that do not fail are not listed (--all lists them)"
        parts.append(_line(text))
    parts += [
        _line(f"{r.what}: {r.note}{f' ({r.source})' if r.source else ''}")
        for r in rows
        if r.note and (r.verdict != "pass" or r.note.startswith("s"))
    ]
    if found.failed:
        parts.append(
            _indent(caution("a gate is about timing only; it says nothing about safe motion"))
        )
    return [*parts, Text(""), Text(safe(found.sentence, _LONG), style="bold")]


def _worth_showing(row: Row) -> bool:
    return not row.call or row.check == "limit" or row.verdict == "fail"


def _amount(value: float | None, unit: str) -> str:
    if value is None:
        return "-"
    if unit == "share":
        return f"{number(100 * value)} %"
    return f"{number(value)} {unit}"


def _gate_row(row: Row) -> list[str]:
    change = "" if row.change_percent is None else f"{_signed(row.change_percent)} %"
    return [
        row.check, safe(row.what, 40), _amount(row.value, row.unit), _amount(row.limit, row.unit),
        change, row.verdict.upper() if row.verdict == "fail" else row.verdict,
    ]  # fmt: skip


def render_added(found: Added) -> list[RenderableType]:
    """What came of adding logs."""
    parts: list[RenderableType] = [_line(note) for note in found.notes]
    known = len(set(found.known))
    were = "was" if known == 1 else "were"
    text = f"{count(len(found.new), 'run')} added, {known} {were} there already"
    if found.errors:
        text += f", {count(len(found.errors), 'log')} with errors"
    return [*parts, Text(text)]


def _days(entries: Sequence[Listed]) -> list[str]:
    times = [(e.facts.time or "")[:16].replace("T", " ") for e in entries]
    # the hour is left out where no log tells it
    return [t[:10] for t in times] if all(t[10:] in ("", " 00:00") for t in times) else times


def _quick_table(columns: dict[str, list[str]], left: Sequence[int]) -> Text:
    """A table of a thousand lines in no time: cells padded to their columns."""
    padded = []
    for k, (head, cells) in enumerate(columns.items()):
        width = max(map(len, [head, *cells]))
        padded.append([c.ljust(width) if k in left else c.rjust(width) for c in [head, *cells]])
    lines = ["  ".join(row).rstrip() for row in zip(*padded, strict=True)]
    return Text.assemble((lines[0], "bold"), "\n", "\n".join(lines[1:]))


def _figure(entry: Listed, statistic: str) -> str:
    return number(entry.figures.get(f"{entry.facts.judged}.{statistic}"))


def render_season(
    entries: Sequence[Listed], damaged: dict[str, str] | None = None
) -> list[RenderableType]:
    """The entries of a season, one a line."""
    robots = {e.facts.robot for e in entries}
    columns = {
        "entry": [e.name[:8] for e in entries],
        "time": _days(entries),
        "robot": [safe(e.facts.robot or "", 12) for e in entries],
        "version": [safe(e.facts.version or "", 9) for e in entries],
        "label": [safe(e.facts.label or "", 12) for e in entries],
        "phases": [safe(", ".join(n for n, _ in e.facts.phases), 12) for e in entries],
        "loops": [f"{e.facts.loops:,}" for e in entries],
        "mean ms": [_figure(e, "mean") for e in entries],
        "p99 ms": [_figure(e, "p99") for e in entries],
        "base": ["yes" if e.baseline else "" for e in entries],
    }
    if len(robots) == 1:
        del columns["robot"]
    shown = {head: cells for head, cells in columns.items() if any(cells)}
    left = [k for k, h in enumerate(shown) if h in ("robot", "version", "label", "phases")]
    parts: list[RenderableType] = [_quick_table(shown, left)]
    parts += [plain(f"damaged: {why}", _LONG) for why in (damaged or {}).values()]
    robot = f" of {safe(next(iter(robots)), 30)}" if len(robots) == 1 and None not in robots else ""
    return [*parts, Text(f"{count(len(entries), 'entry')}{robot}")]


def render_entry(entry: Entry) -> list[RenderableType]:
    """One entry in full: facts, figures and calls."""
    f = entry.facts
    pairs = {
        "entry": entry.name, "source": f.source, "robot": f.robot, "version": f.version,
        "label": f.label, "time": f.time, "part": entry.part or "whole log",
        "phases": ", ".join(f"{n} {100 * s:.0f} %" for n, s in f.phases) or None,
        "loops": f"{f.loops:,} in {f.duration_s:.4g} s, {f.warmup_loops:,} cut as warm-up",
        "pacing": f.pacing_mode,
        "budget": None if f.budget_ms is None else f"{f.budget_ms:g} ms",
    }  # fmt: skip
    parts: list[RenderableType] = [
        plain(f"{key:<9}{value if value is not None else '-'}", 100) for key, value in pairs.items()
    ]
    twice = f.judged == "period"  # then work, where it is known, is the same
    rows = [
        [v.quantity, _TITLES.get(v.statistic, v.statistic), number(v.value, 4),
         number(v.se, 2), f"{v.n:,}"]
        for v in entry.values.values
        if not (twice and v.quantity == "work")
    ]  # fmt: skip
    parts += [
        heading_line("Figures (ms)"),
        _indent(table(["of", "figure", "value", "se", "loops"], rows, left=(0, 1))),
    ]
    calls = sorted(entry.values.calls, key=lambda c: -c.mean.value)
    rows = [
        [safe(c.name, 34), safe(c.thread, 12), f"{c.calls:,}", number(c.mean.value),
         number(c.p99.value), number(c.duration_p99_ms), number(c.duration_max_ms)]
        for c in calls
    ]  # fmt: skip
    heads = ["call", "thread", "calls", "ms/loop", "p99/loop", "p99 call", "max call"]
    return [*parts, heading_line("Calls (ms)"), _indent(table(heads, rows, left=(0, 1)))]


def render_totals(found: Totals) -> list[RenderableType]:
    """Many runs as one: the distribution of all loops and the cost of each call."""
    data = found.to_dict()
    heads = ["ms", "mean", "p50", "p95", "p99", "p99.9", "max"]
    names = ("mean", "p50", "p95", "p99", "p999", "max")
    rows = [
        [what, *(number(data[f"{what}_ms"][name]) for name in names)]
        for what in ("period", "work")
        if data[f"{what}_ms"] is not None and (what == "period" or found.work != found.period)
    ]
    calls = [
        [safe(c["name"], 34), f"{c['calls']:,}", number(c["self_ms_per_loop"]),
         *(number((c["duration_ms"] or {}).get(name)) for name in ("p50", "p99", "max"))]
        for c in data["calls"]
    ]  # fmt: skip
    over = f", {found.overruns:,} overruns" if found.overruns else ""
    call_heads = ["call", "calls", "ms/loop", "p50 call", "p99 call", "max call"]
    return [
        Text(f"{found.runs:,} runs, {found.loops:,} loops{over}; quantiles within 1 %"),
        _indent(table(heads, rows)),
        heading_line("Calls (ms)"),
        _indent(table(call_heads, calls)),
    ]


def render_trends(
    found: Sequence[Trends], spread: Sequence[RobotSpread] = ()
) -> list[RenderableType]:
    """Trends of each robot: what moved, between which versions, and which run was odd."""
    parts: list[RenderableType] = []
    for at in found:
        parts += _robot(at)
    if len(spread) > 1:
        rows = [
            [safe(s.robot, 24), str(s.runs), number(s.mean_ms), number(s.p99_ms),
             number(s.sd_percent, 2), _signed(s.from_all_percent)]
            for s in spread
        ]  # fmt: skip
        heads = ["robot", "runs", "mean ms", "p99 ms", "run sd %", "from all %"]
        parts += [heading_line("Between robots, slowest first"), _indent(table(heads, rows))]
    return parts


def _robot(at: Trends) -> Iterator[RenderableType]:
    name = safe(at.robot or "robot not named", 40)
    yield heading_line(f"{name}: {count(len(at.entries), 'run')}, {at.quantity} in ms")
    if not at.ordered:
        yield _line("not every log has a time: the order of runs is that of their sources")
    rows = [_trend_row(t) for t in at.trends if not t.call or t.steps or (t.p_holm or 1) < 0.05]
    heads = ["figure", "first", "last", "% a run", "95 %", "p"]
    yield _indent(table(heads, rows))
    if all(t.per_run_percent.value is None for t in at.trends):
        yield _line("no trend is given: there are too few runs")
    else:
        yield _line("% a run: slope over the runs in their order; a figure with p < 0.05 moved")
    steps = [(t, s) for t in at.trends for s in t.steps]
    for trend, step in steps[:12]:
        where = (
            f"between version {step.before_version} and {step.after_version}"
            if step.with_version
            else f"within version {step.before_version or '(not named)'}"
        )
        yield _line(
            f"{trend.title}: {_signed(step.percent.value)} % {where}, from entry"
            f" {step.before_entry[:10]} to {step.after_entry[:10]}"
        )
    if not steps:
        yield _line("no change of level between runs seen")
    for odd in at.odd[:3]:
        figures = ", ".join(odd.figures[:3]) + (" ..." if odd.figures[3:] else "")
        yield _line(
            f"odd run: {odd.run} ({odd.entry[:10]}), {_signed(odd.percent)} % from its"
            f" neighbours in {figures}"
        )
    if not at.odd:
        yield _line("no run was unlike the others")


def _trend_row(trend: Trend) -> list[str]:
    p = trend.p_holm if trend.p_holm is not None else trend.p
    return [
        safe(_TITLES.get(trend.title, trend.title), 34),
        number(trend.values[0], 4), number(trend.values[-1], 4),
        _signed(trend.per_run_percent.value), _interval(trend.per_run_percent), _p(p),
    ]  # fmt: skip
