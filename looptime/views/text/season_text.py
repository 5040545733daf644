"""The runs of a season as text: added, listed, shown one by one, summed up, and their trends."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

from rich.console import RenderableType
from rich.text import Text

from looptime.checks.recording.copies import copied
from looptime.findings.about import with_options
from looptime.views.text.change_text import (
    TITLES,
    cut_lines,
    inset,
    interval,
    line,
    p_value,
    signed,
)
from looptime.views.text.season_answers import (
    entry_answer,
    list_answer,
    matters,
    robots_clause,
    step_in_words,
    trends_answer,
)
from looptime.views.text.terminal import (
    count,
    heading_line,
    in_full,
    number,
    plain,
    safe,
    table,
)
from looptime.views.text.told import Told, why

if TYPE_CHECKING:
    from looptime.checks.season.adding import Added
    from looptime.checks.season.entries import Entry
    from looptime.checks.season.merge import Totals
    from looptime.checks.season.season import Listed
    from looptime.checks.season.trends import RobotSpread, Trend, Trends

__all__ = ["render_added", "render_entry", "render_season", "render_totals", "render_trends"]


#: Newest runs that a list shows on its screen.
_NEWEST = 24


def render_added(found: Added) -> Told:
    """What came of adding logs, and of how many robots they are."""
    known = len(set(found.known))
    were = "was" if known == 1 else "were"
    text = f"{count(len(found.new), 'run')} added, {known} {were} there already"
    if found.errors:
        text += f", {count(len(found.errors), 'log')} with errors"
    return Told(text + robots_clause(found.robots), tuple(line(note) for note in found.notes))


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


def _log(entry: Listed) -> str:
    """The name of a run's log, which tells it from others where it has no time."""
    return safe(PurePath(entry.facts.source).name, 16)


def _logs(entries: Sequence[Listed]) -> list[str]:
    """Names of the runs' logs, with their folders where a name is that of several."""
    paths = [PurePath(entry.facts.source) for entry in entries]
    alike = len({path.name for path in paths}) < len(paths)
    return [safe("/".join(path.parts[-2:] if alike else path.parts[-1:]), 24) for path in paths]


def _list_table(entries: Sequence[Listed], every: Sequence[Listed]) -> RenderableType:
    """Some of all runs, one a line; a column that is the same for all is left out."""
    time = "time" if all(e.facts.time or not e.facts.source for e in every) else "time or log"
    columns = {
        "entry": [e.name[:8] for e in entries],
        time: [day or _log(e) for day, e in zip(_days(entries), entries, strict=True)],
        "robot": [safe(e.facts.robot or "", 12) for e in entries],
        "version": [safe(e.facts.version or "", 9) for e in entries],
        "label": [safe(e.facts.label or "", 12) for e in entries],
        "log": _logs(entries),
        "phases": [safe(", ".join(n for n, _ in e.facts.phases), 24) for e in entries],
        "loops": [f"{e.facts.loops:,}" for e in entries],
        "of": [e.facts.judged for e in entries],
        "mean ms": [_figure(e, "mean") for e in entries],
        "p99 ms": [_figure(e, "p99") for e in entries],
        "base": ["yes" if e.baseline else "" for e in entries],
    }
    if len({e.facts.robot for e in every}) == 1:
        del columns["robot"]
    if len({e.facts.judged for e in every}) == 1:
        del columns["of"]
    if len({tuple(n for n, _ in e.facts.phases) for e in every}) == 1:
        del columns["phases"]
    if time != "time" or all(e.facts.label and e.facts.label in e.facts.source for e in every):
        del columns["log"]  # it stands there already
    shown = {head: cells for head, cells in columns.items() if any(cells)}
    left = [
        k for k, h in enumerate(shown) if h in ("robot", "version", "label", "log", "phases", "of")
    ]
    return _quick_table(shown, left)


def _judged_line(entries: Sequence[Listed]) -> RenderableType:
    judged = {e.facts.judged for e in entries}
    if len(judged) == 1:
        return line(f"mean and p99 are of the {judged.pop()} of a loop")
    return line(
        "mean and p99 are of the work (period less the pacing wait) in some runs and of the whole "
        "period in others, as the column `of` says: hold only like against like"
    )


def render_season(
    entries: Sequence[Listed], damaged: dict[str, str] | None = None, folder: str | None = None
) -> Told:
    """What the entries of a season come to, and the entries, one a line.

    `folder` is the season's, where it was named, for the command that is offered.
    """
    trends = with_options("looptime season trends", [("--season", folder)] if folder else [])
    more = tuple(Text(in_full(f"damaged: {why}")) for why in (damaged or {}).values())
    if not entries:
        return Told("No run is stored: looptime season add LOG stores one.", more)
    newest, earlier = entries[-_NEWEST:], entries[:-_NEWEST]
    heading = (heading_line(f"Newest {len(newest)} of {len(entries):,}"),) if earlier else ()
    return Told(
        list_answer(entries),
        (*why("", trends), *more),
        ((*heading, _list_table(newest, entries)), (_judged_line(entries),)),
        (heading_line("Earlier"), _list_table(earlier, entries)) if earlier else (),
    )


def render_entry(entry: Entry) -> Told:
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
    books = [
        inset(plain(f"{key:<9}{value if value is not None else '-'}", 100))
        for key, value in pairs.items()
    ]
    twice = f.judged == "period"  # then work, where it is known, is the same
    rows = [
        [v.quantity, TITLES.get(v.statistic, v.statistic), number(v.value, 4),
         number(v.se, 2), f"{v.n:,}"]
        for v in entry.values.values
        if not (twice and v.quantity == "work")
    ]  # fmt: skip
    figures = inset(table(["of", "figure", "value", "se", "loops"], rows, left=(0, 1)))
    calls = sorted(entry.values.calls, key=lambda c: -c.mean.value)
    rows = [
        [safe(c.name, 34), safe(c.thread, 12), f"{c.calls:,}", number(c.mean.value),
         number(c.p99.value), number(c.duration_p99_ms), number(c.duration_max_ms)]
        for c in calls
    ]  # fmt: skip
    heads = ["call", "thread", "calls", "ms/loop", "p99/loop", "p99 call", "max call"]
    table_of_calls = inset(table(heads, rows, left=(0, 1)))
    return Told(
        entry_answer(f, entry.values),
        (),
        (
            (heading_line("Figures (ms)"), figures),
            (heading_line("Calls (ms)"), table_of_calls),
        ),
        books=(*books, *cut_lines([f])),
    )


def render_totals(found: Totals) -> Told:
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
    return Told(
        f"{found.runs:,} runs, {found.loops:,} loops{over}; quantiles within 1 %",
        (),
        (
            (inset(table(heads, rows)),),
            (heading_line("Calls (ms)"), inset(table(call_heads, calls))),
        ),
    )


def render_trends(
    found: Sequence[Trends], spread: Sequence[RobotSpread] = (), left_out: str = ""
) -> Told:
    """Trends of each robot: what moved, between which versions, and which run was odd.

    `left_out` says what of the season cannot be read.
    """
    parts = [tuple(_robot(at)) for at in found]
    if len(spread) > 1:
        rows = [
            [safe(s.robot, 24), str(s.runs), number(s.mean_ms), number(s.p99_ms),
             number(s.sd_percent, 2), signed(s.from_all_percent)]
            for s in spread
        ]  # fmt: skip
        heads = ["robot", "runs", "mean ms", "p99 ms", "run sd %", "from all %"]
        parts.append((heading_line("Between robots, slowest first"), inset(table(heads, rows))))
    cuts = cut_lines([entry.facts for at in found for entry in at.entries])
    why = (line(left_out),) if left_out else ()
    return Told(trends_answer(found), why, tuple(parts), books=tuple(cuts))


def _robot(at: Trends) -> Iterator[RenderableType]:
    name = safe(at.robot or "robot not named", 40)
    yield heading_line(f"{name}: {count(len(at.entries), 'run')}, {at.quantity} in ms")
    if not at.ordered:
        yield line("not every log has a time: the order of runs is that of their sources")
    for copy, of in at.copies[:3]:
        yield line(
            f"{copied([safe(copy.facts.name, 40)], safe(of.facts.name, 40))}: both count as one run"
        )
    if at.copies[3:]:
        yield line(f"and {count(len(at.copies) - 3, 'more copy')}")
    rows = [_trend_row(t) for t in at.trends if not t.call or t.steps or t.crept]
    heads = ["figure", "first", "last", "% a run", "95 %", "p of slope"]
    yield inset(table(heads, rows))
    if all(t.per_run_percent.value is None for t in at.trends):
        yield line("no trend is given: there are too few runs")
    else:
        yield line(
            "% a run: slope over the runs in their order; a figure whose slope has p < 0.05 crept"
        )
        if any((t.steps or t.crept) and not matters(at, t) for t in at.trends):
            yield line("what moved by less than 0.5 % of the loop is not told above the table")
    steps = [(t, s) for t in at.trends for s in t.steps]
    for trend, step in steps[:12]:
        where = (
            f"between version {step.before_version} and {step.after_version}"
            if step.with_version
            else f"within version {step.before_version}"
            if step.before_version
            else "with no version named"
        )
        yield line(
            f"{TITLES.get(trend.title, trend.title)}: {step_in_words(step)} {where}, from"
            f" entry {step.before_entry[:8]} to {step.after_entry[:8]} (p {p_value(step.p)})"
        )
    if not steps:
        yield line("no change of level between runs seen")
    for odd in at.odd[:3]:
        figures = ", ".join(odd.figures[:3]) + (" ..." if odd.figures[3:] else "")
        yield line(
            f"odd run: {odd.run} ({odd.entry[:8]}), {signed(odd.percent)} % from its"
            f" neighbours in {figures}"
        )
    if not at.odd:
        yield line("no run was unlike the others")


def _trend_row(trend: Trend) -> list[str]:
    p = trend.p_holm if trend.p_holm is not None else trend.p
    return [
        safe(TITLES.get(trend.title, trend.title), 34),
        number(trend.values[0], 4), number(trend.values[-1], 4),
        signed(trend.per_run_percent.value), interval(trend.per_run_percent), p_value(p),
    ]  # fmt: skip
