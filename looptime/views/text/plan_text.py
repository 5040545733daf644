"""Plans as text: before and after, and what each change does."""

from collections.abc import Collection, Sequence
from fnmatch import fnmatchcase

from rich.console import RenderableType
from rich.text import Text

from looptime.analysers.estimate import Figure
from looptime.findings.finding import CAUTION_LINE
from looptime.planner.answer.intervals import Side
from looptime.planner.answer.predict import CAUTIONS, Prediction
from looptime.planner.changes import parse
from looptime.views.text.control_text import spread_lines
from looptime.views.text.terminal import (
    caution,
    figure,
    heading_line,
    in_full,
    number,
    safe,
    table,
)
from looptime.views.text.text_parts import indented, labelled
from looptime.views.text.told import Told
from looptime.words import changed, count, supposing

__all__ = [
    "caution_lines",
    "mind_lines",
    "plan_sentence",
    "render_plan",
    "span",
    "tail_sentence",
]

_CALLS = 12
#: Share of an interval's half around nought in which a change is as good as none.
_MIDDLE = 0.25
#: Of the mean: a change that is worth telling although runs scatter by more.
_MUCH = 0.01
#: Share of its age by which a reading must get younger or older to be told first.
_OTHER_AGE = 0.1
#: Why a bus of its own buys nothing by itself.
_MOVED_ALONE = (
    "the loop makes its calls one after another, and hardly anything else holds their bus "
    "meanwhile; one of its own pays for what a thread reads (add a change such as: thread CALL)"
)
#: Changes by which a reading is made at other times than today.
_READ_OTHERWISE = ("thread ", "unthread ", "rest ", "every ")


def render_plan(at: Prediction) -> Told:
    """A prediction: verdict, before and after, changes, calls, ages, buses, cautions."""
    reasons = [labelled("mind", text) for text in at.warnings[:2]]
    if all(c.text.startswith("move ") for c in at.changes) and _is_none(at.change_ms):
        reasons.insert(0, labelled("why", _MOVED_ALONE))
    if at.gain_shift is not None and at.gain_shift.sentence:
        reasons.append(labelled("gains", at.gain_shift.sentence))
    reasons.append(indented(Text(CAUTION_LINE)))
    ages, buses = _ages(at.baseline, at.predicted), _buses(at)
    wheels = [Text(in_full(text)) for text in spread_lines(at.steering)]
    tables: list[tuple[RenderableType, ...]] = [
        (heading_line(f"Before and after ({_scatter(at)})"), _sides(at)),
        (Text(""), *wheels) if wheels else (),
        () if ages is None else (heading_line(f"Reading age {at.use}, ms{_case(at)}"), ages),
        (heading_line("What each change does to the mean"), _changes(at)),
        (heading_line(f"Calls of the loop, ms a loop{_case(at)}"), _calls(at)),
        () if buses is None else (heading_line(f"Buses{_case(at)}"), buses),
        tuple(_rest(at)),
    ]
    more = [*_rhythms(at), *mind_lines(at.warnings[2:]), *caution_lines()]
    books: list[RenderableType] = [labelled("figures", _basis(at))]
    if at.run_sd_from in ("assumed", "log"):
        text = "a season of runs, or --run-sd PERCENT, says what yours scatter by"
        books.append(labelled("", text))
    answer = supposing(plan_sentence(at), at.run.clock.supposed)
    return Told(answer, tuple(reasons), tuple(t for t in tables if t), tuple(more), tuple(books))


def plan_sentence(at: Prediction) -> str:
    """What a plan does to the loop, in one sentence; first to a reading that it is about."""
    about = all(c.text.startswith("later ") for c in at.changes)
    if at.until or not (about or (at.verdict == "can't tell" and _is_none(at.change_ms))):
        otherwise = [] if at.until else _age_sentence(at, _read_otherwise(at))
        return " ".join([_loop_sentence(at), *tail_sentence(at), *otherwise])
    return " ".join([*_age_sentence(at), _loop_sentence(at), *tail_sentence(at)])


def tail_sentence(at: Prediction) -> list[str]:
    """What the longest loops do, where the mean can't tell."""
    tail = at.tail
    if tail is None or at.until or at.verdict != "can't tell":
        return []
    way = "shorter" if tail.after < tail.before else "longer"
    then = f"{tail.after:,}" if tail.after else "none"
    return [
        f"But its long loops get {way}: the longest 1 in 100 take {number(tail.after_ms)} ms on "
        f"average, today {number(tail.before_ms)} ({tail.before:,} of {count(at.loops, 'loop')} "
        f"over {number(tail.over_ms)} ms, then {then})."
    ]


def _read_otherwise(at: Prediction) -> set[str]:
    """Calls that are read at other times by a change: its price is their age."""
    changes = [parse(c.text) for c in at.changes if c.text.startswith(_READ_OTHERWISE)]
    globs = [pattern for change in changes for pattern in change.patterns]
    return {name for name in at.baseline.age_at_first_use_ms
            if any(fnmatchcase(name, glob) for glob in globs)}  # fmt: skip


def _age_sentence(at: Prediction, among: Collection[str] | None = None) -> list[str]:
    """The reading, of all or some, whose age at first use changes most, where it is by much."""
    after = {name: ages.get("mean") for name, ages in at.predicted.age_at_first_use_ms.items()}
    before = {name: ages.get("mean") for name, ages in at.baseline.age_at_first_use_ms.items()}
    by = {n: _size(after[n]) - _size(was) for n, was in before.items()
          if was and after.get(n) and (among is None or n in among)}  # fmt: skip
    name = max(by, key=lambda n: abs(by[n]), default=None)
    if name is None or abs(by[name]) < _OTHER_AGE * _size(before[name]) or abs(by[name]) < 0.1:
        return []
    way = "younger" if by[name] < 0 else "older"
    was, now = number(_size(before[name])), _cell(after[name])
    return [f"{safe(name)} gets {way}: {now} ms {at.use} on average, today {was} ms."]


def _loop_sentence(at: Prediction) -> str:
    change = at.change_ms
    if any(c.text.startswith("pace ") for c in at.changes):
        return _pace_sentence(at)
    what = "loop" if at.judged == "period" else "loop's work"
    if at.until:
        return f"Can't tell until {in_full(at.until)}. {in_full(at.open_ends)}."
    if at.verdict == "can't tell" and at.run_sd_from == "log" and _same_loops_tell(at):
        return (
            f"Can't tell from one recording a side, as this log wanders: the mean of the {what} "
            f"changes by {_signed(change)} ms. With the very load of this log it would by "
            f"{number(change.value)} ms."
        )
    if at.verdict == "can't tell" and _is_none(change):
        return (
            f"No gain to be seen: the mean of the {what} changes by {_signed(change)} ms, no more "
            "than from one recording to the next."
        )
    if at.verdict == "can't tell" or change.value is None:
        return (
            f"Can't tell whether the {what} gets faster: the mean changes by {_signed(change)} ms."
        )
    return f"The {what} gets {at.verdict}: the mean changes by {_signed(change)} ms."


def _same_loops_tell(at: Prediction) -> bool:
    """Whether the very loops of the log change by much, one way whatever is not known."""
    mean = at.baseline.period_ms["mean"].value or 0.0
    if abs(at.change_ms.value or 0.0) < _MUCH * mean:
        return False
    ends = [(c.in_order_ms.low, c.in_order_ms.high) for c in at.changes]
    told = [(low, high) for low, high in ends if low is not None and high is not None]
    return len(told) == len(ends) and sum(e[0] for e in told) * sum(e[1] for e in told) > 0


def _is_none(change: Figure) -> bool:
    """Whether a change lies in the middle of what two recordings of the same code differ by."""
    low, high = change.low or 0.0, change.high or 0.0
    return change.value is not None and abs(change.value) <= _MIDDLE * min(-low, high)


def _pace_sentence(at: Prediction) -> str:
    """What a new pace does: the rate it is for, and whether the work still fits."""
    before, after = at.baseline.rate_hz, at.predicted.rate_hz
    return (
        f"At that pace the loop makes {_cell(after)} loops a second, today {_cell(before)}; the "
        f"mean of its {at.judged} changes by {_signed(at.change_ms)} ms."
    )


def _signed(at: Figure) -> str:
    return changed(at.value, at.low, at.high)


def _basis(at: Prediction) -> str:
    text = f"From {at.loops:,} loops"
    if at.sampled:
        text += f", a sample of {at.loops_in_log:,}"
    if at.warmup_loops:
        text += f"; the first {at.warmup_loops:,} are left out as warm-up"
    return f"{text}. Intervals: {at.change_ms.level_text}, for a future recording ({_scatter(at)})."


def _scatter(at: Prediction) -> str:
    """How much runs differ with no change, and how that is known."""
    source = {
        "assumed": "assumed: one log shows none",
        "log": "as this log wanders",
        "season": "from the season",
    }.get(at.run_sd_from, at.run_sd_from)
    return f"{number(at.run_sd_percent, 2)} % from run to run, {source}"


def _cell(at: Figure | None) -> str:
    return "-" if at is None else figure(at.value, at.low, at.high)


def _case(at: Prediction) -> str:
    """The case that figures are of, where the plan lies open between several."""
    return f", with {at.cases[0].what}" if at.cases else ""


def _sides(at: Prediction) -> RenderableType:
    before = at.baseline
    after = [case.predicted for case in at.cases] or [at.predicted]
    rows: list[list[str]] = [
        [f"period {k}, ms", _cell(before.period_ms[k]), *(_cell(one.period_ms[k]) for one in after)]
        for k in before.period_ms
    ]
    for k in after[0].work_ms or before.work_ms:
        rows.append([f"work {k}, ms", _cell(before.work_ms.get(k)),
                     *(_cell(one.work_ms.get(k)) for one in after)])  # fmt: skip
    rows.append(["rate, 1/s", _cell(before.rate_hz), *(_cell(one.rate_hz) for one in after)])
    if before.overruns is not None:
        budget = number(before.overruns["budget_ms"])
        shares = [_percent(one.overruns["share"]) for one in after if one.overruns is not None]
        rows.append([f"over {budget} ms", _percent(before.overruns["share"]), *shares])
    heads = [f"with {case.what}" for case in at.cases] or ["after"]
    return table(["", "before", *heads], rows)


def _percent(at: Figure) -> str:
    if at.value is None or at.low is None or at.high is None:
        return "-"
    return figure(100 * at.value, 100 * at.low, 100 * at.high) + " %"


def _changes(at: Prediction) -> RenderableType:
    rows = [[safe(c.text, 44), span(c.in_order_ms), span(c.alone_ms)] for c in at.changes]
    return table(["change", "in this order, ms", "alone, ms"], rows)


def span(at: Figure) -> str:
    """A change, with its ends only where they differ."""
    if at.value is None:
        return "needs the others"
    if at.low is None or at.high is None or at.high - at.low < 0.001:
        return changed(at.value, None, None)
    return _signed(at)


def _calls(at: Prediction) -> RenderableType:
    was = {(r["name"], r["thread"]): r["self_ms_per_loop"] for r in at.baseline.calls}
    now = {(r["name"], r["thread"]): r["self_ms_per_loop"] for r in at.predicted.calls}
    keys = [k for k in dict.fromkeys([*was, *now]) if _size(was.get(k)) or _size(now.get(k))]
    keys.sort(key=lambda k: -abs(_size(now.get(k)) - _size(was.get(k))))
    rows = [[safe(k[0], 34), _short(was.get(k)), _cell(now.get(k))] for k in keys[:_CALLS]]
    if len(keys) > _CALLS:
        rows.append([f"{len(keys) - _CALLS} more", "", ""])
    return table(["call", "before", "after"], rows)


def _size(at: Figure | None) -> float:
    return 0.0 if at is None or at.value is None else at.value


def _short(at: Figure | None) -> str:
    return "-" if at is None else number(at.value)


def _ages(before: Side, after: Side) -> RenderableType | None:
    names = list(dict.fromkeys([*after.age_at_first_use_ms, *before.age_at_first_use_ms]))
    if not names:
        return None
    none: dict[str, Figure] = {}

    def gap(name: str) -> float:
        was, now = (
            before.age_at_first_use_ms.get(name, none),
            after.age_at_first_use_ms.get(name, none),
        )
        return -abs(_size(now.get("mean")) - _size(was.get("mean")))

    rows = []
    for name in sorted(names, key=gap)[:_CALLS]:
        was, now = (
            before.age_at_first_use_ms.get(name, none),
            after.age_at_first_use_ms.get(name, none),
        )
        cells = [_short(side.get(k)) for k in ("mean", "p95", "max") for side in (was, now)]
        rows.append([safe(name, 28), *(f"{a} -> {b}" for a, b in zip(cells[::2], cells[1::2],
                                                                    strict=True))])  # fmt: skip
    return table(["reading", "mean", "p95", "max"], rows)


def _buses(at: Prediction) -> RenderableType | None:
    rows = []
    for bus, now in at.predicted.bus.items():
        was = at.baseline.bus.get(bus, {})
        used = [_percent(was["utilisation"]) if was else "-", _percent(now["utilisation"])]
        waits = _short(was.get("wait_ms_per_loop")), _cell(now["wait_ms_per_loop"])
        before = "-" if used[0] == "-" else used[0].split(" (")[0].removesuffix(" %") + " %"
        rows.append([safe(bus, 16), before, used[1], *waits])
    if not rows:
        return None
    return table(["bus", "in use before", "after", "loop waits, ms", "after"], rows)


def _rest(at: Prediction) -> list[RenderableType]:
    parts: list[RenderableType] = []
    for advice in at.rest:
        parts.append(heading_line(f"Rest of the thread: {safe(advice.text)}"))
        if advice.rest_ms is None:
            text = "With no rest that was tried does this thread pay on this bus."
        else:
            text = f"It pays from a rest of {number(advice.rest_ms)} ms, whoever gets the bus."
        rows = [
            [number(t["rest_ms"]), number(t["period_ms"]), number(t["age_at_first_use_p95_ms"])]
            for t in advice.trials
        ]
        parts += [
            Text(text),
            table(["rest, ms", "mean period, ms", "age at first use p95, ms"], rows, left=()),
        ]
    return parts


def _rhythms(at: Prediction) -> list[RenderableType]:
    if not at.rhythms:
        return []
    rows = []
    for rhythm in at.rhythms:
        every = rhythm["interval_ms"]
        shown = f"{number(float(every))} ms" if isinstance(every, int | float) else "-"
        what = f"{safe(rhythm['name'], 30)}{' (long turns)' if rhythm['long_turns_only'] else ''}"
        goes = "by the clock" if rhythm["recurs"] == "time" else "with its device"
        rows.append([what, goes, shown, safe(rhythm["reason"], 70)])
    return [
        heading_line("Not by the loop"),
        table(["call", "goes", "every", "because"], rows, left=(0, 1, 3)),
    ]


def mind_lines(warnings: Sequence[str]) -> list[RenderableType]:
    """What is to be kept in mind of a plan, a line each under a heading."""
    if not warnings:
        return []
    return [heading_line("Mind"), *(Text(f"- {in_full(text)}") for text in warnings)]


def caution_lines() -> list[RenderableType]:
    """What holds for each plan."""
    return [Text(""), *(caution(text) for text in CAUTIONS)]
