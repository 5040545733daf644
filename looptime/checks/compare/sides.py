"""The runs on each side of a check, made alike in length, and what is unlike between them."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from looptime.array_types import Float
from looptime.checks.recording.copies import copied, without_copies
from looptime.checks.recording.cut_in_pieces import chains, follows, joined
from looptime.checks.recording.facts import Facts, time_key
from looptime.checks.recording.figures import RunValues, Value, measure
from looptime.checks.recording.recording import Recording, Series, Settings, record
from looptime.errors import LogError, UsageError
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.between_runs import count_scale, log_scale
from looptime.words import listed, named, number

__all__ = [
    "Item",
    "Judged",
    "Unlike",
    "equalise",
    "judged_quantity",
    "lifted",
    "once",
    "opening_of",
    "pacing_class",
    "per_loops",
    "per_loops_note",
    "phase_advice",
    "phases_alike",
    "phases_text",
    "pieces_on_both",
    "scale",
    "share_of_loops",
    "times_of",
    "told_apart",
    "unlike",
]

#: What may stand on a side: a run, a run made ready, or the stored figures of one.
Item = Run | Recording | RunValues

#: Windows whose lengths differ by less than this share count as equal.
SAME_LENGTH = 0.10
#: Shares of a phase that differ by less than this count as alike.
SAME_SHARE = 0.10
#: Counts in windows whose numbers of loops differ by less are compared as they are.
_AS_MANY = 0.01
#: Calls a loop by which, and by this part of them, one side holds more of a call than the other.
_OFTENER = 0.25


@dataclass(frozen=True)
class Judged:
    """A run on a side."""

    values: RunValues  #: Of the common window, or as stored
    series: Series | None  #: Its loops; None where only stored figures are at hand
    full_s: float  #: Length after warm-up, before it was cut to the common window

    @property
    def facts(self) -> Facts:
        """What is known of the run."""
        return self.values.facts


@dataclass(frozen=True)
class Unlike:
    """Something in which the sides differ, to be said before any figure."""

    #: ``calls``, ``budget``, ``tick``, ``pacing``, ``pace``, ``length``, ``phases``, ``robot``,
    #: ``often``, ``order``, ``work``, ``same``, ``copies``, ``pieces``, ``readings``, ``warmup``
    #: or ``damaged``.
    what: str
    text: str  #: One sentence


def _ready(item: Item, settings: Settings) -> Recording | RunValues:
    return record(item, settings) if isinstance(item, Run) else item


def once(
    items: Sequence[Item], settings: Settings
) -> tuple[list[Recording | RunValues], list[Unlike]]:
    """A side made ready, each recording once, whatever its copies and in however many pieces.

    Copies scatter by nothing, and pieces hardly do: counted as runs they would make any difference
    sure.
    """
    kept, copies = without_copies([_ready(item, settings) for item in items], told_apart)
    by: dict[str, list[str]] = {}
    for item, of in copies:
        by.setdefault(_named(of), []).append(_named(item))
    whole, pieces = _whole(kept, settings)
    return whole, [
        *(Unlike("copies", _copies_text(names, of)) for of, names in by.items()), *pieces
    ]  # fmt: skip


def _whole(
    items: Sequence[Recording | RunValues], settings: Settings
) -> tuple[list[Recording | RunValues], list[Unlike]]:
    """The same with the pieces of one recording joined, and what was."""
    runs = [item for item in items if isinstance(item, Recording)]
    if len(runs) < 2:
        return list(items), []
    made: list[Recording | RunValues] = []
    said = []
    for chain in chains([item.run for item in runs]):
        pieces = [runs[at] for at in chain]
        if len(pieces) == 1:
            made += pieces
            continue
        made.append(record(joined([piece.run for piece in pieces]), settings))
        said.append(Unlike("pieces", f"{named([_named(piece) for piece in pieces])} follow one"
                           " another on one clock: pieces of one recording, which count as one"
                           " run"))  # fmt: skip
    return made + [item for item in items if not isinstance(item, Recording)], said


def pieces_on_both(
    before: Sequence[Recording | RunValues], after: Sequence[Recording | RunValues]
) -> list[Unlike]:
    """Runs of which one goes on, on the other side, where the other ends."""
    runs = [[item for item in side if isinstance(item, Recording)] for side in (before, after)]
    pairs = [pair for one in runs[0] for other in runs[1] for pair in ((one, other), (other, one))]
    return [
        Unlike("pieces", f"{_named(later)} goes on, on the same clock, where {_named(earlier)}"
                         " ends: pieces of one recording, between which only what was switched"
                         " while it ran can be a change of code")
        for later, earlier in pairs if follows(later.run, earlier.run)
    ]  # fmt: skip


def _copies_text(names: Sequence[str], of: str) -> str:
    if {*names} == {of}:
        return f"{of} was given {len(names) + 1} times: it counts as one run"
    return f"{copied(names, of)}: {'both' if len(names) == 1 else 'they'} count as one run"


def opening_of(item: Recording | RunValues) -> str:
    """What copies of a recording share; of an entry that was stored without it, its figures."""
    if isinstance(item, Recording):
        return item.opening
    return item.facts.opening or str(hash(item.values))


def told_apart(item: Recording | RunValues) -> tuple[str, float]:
    """What differs between two recordings, however much was cut as warm-up."""
    if isinstance(item, Recording):
        return opening_of(item), len(item.run)
    return opening_of(item), item.facts.loops + item.facts.warmup_loops


def _named(item: Recording | RunValues) -> str:
    source = item.source if isinstance(item, Recording) else item.facts.source
    return Facts(source=source).name


def equalise(
    sides: Sequence[Sequence[Item]], settings: Settings, window_s: float | None = None
) -> list[list[Judged]]:
    """Cut every run to the same wall-clock window: the largest warm-up, the shortest rest.

    Stored figures stay as they are; runs with loops are cut to the shortest of them all, or
    to `window_s` if that is shorter.

    Raises
    ------
    UsageError
        If a side is empty.
    LogError
        If a run has no loops left after the warm-up.
    """
    names = ("before", "after")
    for name, side in zip(names, sides, strict=False):
        if not len(side):
            raise UsageError(f"the side {name!r} is empty: name at least one log or a query")
    ready = [[_ready(item, settings) for item in side] for side in sides]
    flat = [item for side in ready for item in side]
    recordings = [item for item in flat if isinstance(item, Recording)]
    cut = max((r.cut_s for r in recordings), default=0.0)
    left = {id(r): r.left_s(cut) for r in recordings}
    for r in recordings:
        if left[id(r)] <= 0:
            r.series(cut)  # says what is wrong
            raise LogError("no loops are left after the warm-up", r.source)
    stored = [item.facts.duration_s for item in flat if isinstance(item, RunValues)]
    window = min([*left.values(), *stored, math.inf if window_s is None else window_s])
    return [[_judged(item, cut, window, left) for item in side] for side in ready]


def _judged(
    item: Recording | RunValues, cut: float, window: float, left: dict[int, float]
) -> Judged:
    if isinstance(item, RunValues):
        return Judged(item, None, item.facts.duration_s)
    full = left[id(item)]
    # a hair longer than the shortest run, so that the shortest run itself is whole
    series = item.series(cut, None if full <= window else window)
    return Judged(measure(series, histograms=False), series, full)


def judged_quantity(runs: Sequence[Judged]) -> str:
    """``work`` where every run's work is known and one of them waits, else ``period``."""
    facts = [run.facts for run in runs]
    known = all(("work", "mean") in run.values.by_name for run in runs)
    return "work" if known and any(f.judged == "work" for f in facts) else "period"


def times_of(runs: Sequence[Judged]) -> list[float] | None:
    """Times of recording [s since 1970]; None unless every run has one of its own."""
    times = [time_key(run.facts.time) for run in runs]
    known = [t for t in times if t is not None]
    return known if len(known) == len(runs) and len(set(known)) == len(known) else None


def scale(values: Sequence[Value], loops: int) -> Float:
    """One number a run on the scale where runs scatter evenly: logarithm, or root of a count.

    Counts are taken per so many `loops`: at another pace as many loops take another time.

    Raises
    ------
    NotEnoughError
        If a value that needs a logarithm is 0.
    """
    if values[0].statistic == "overruns":
        return count_scale([per_loops(v, loops).judged for v in values])
    return log_scale([v.judged for v in values])


def per_loops(value: Value, loops: int) -> Value:
    """A count as it would be in so many loops; what is no count stays.

    So does a count in about as many, to be a whole number.

    Examples
    --------
    >>> per_loops(Value("period", "overruns", 90.0, 90.0, None, 3000), 2000).value
    60.0
    """
    if value.statistic != "overruns" or abs(value.n / loops - 1) <= _AS_MANY:
        return value
    to = loops / value.n
    se = None if value.se is None else value.se * to
    return replace(value, value=value.value * to, judged=value.judged * to, se=se)


def per_loops_note(sides: Sequence[Sequence[Value]]) -> str:
    """What a change of counts is held by, where one side has more loops; else empty.

    Examples
    --------
    >>> sides = [[Value("period", "overruns", 3e3, 3e3, None, 3000)],
    ...          [Value("period", "overruns", 2400, 2400, None, 2400)]]
    >>> per_loops_note(sides)
    'counted per loop: 100 % before, 100 % after'
    """
    loops = [sum(v.n for v in side) / len(side) for side in sides]
    shares = [share_of_loops(side) for side in sides]
    if sides[0][0].statistic != "overruns" or abs(loops[0] / loops[1] - 1) <= _AS_MANY:
        return ""
    before, after = (f"{number(100 * (share or 0.0))} %" for share in shares)
    return f"counted per loop: {before} before, {after} after"


def share_of_loops(side: Sequence[Value]) -> float | None:
    """The loops that a count counts, over all loops of a side; None of what is no count.

    Examples
    --------
    >>> share_of_loops([Value("period", "overruns", k, k, None, 1000) for k in (10, 30)])
    0.02
    """
    loops = sum(v.n for v in side)
    if side[0].statistic != "overruns" or not loops:
        return None
    return sum(v.value for v in side) / loops


def lifted(values: Sequence[Value], base: float) -> list[Value]:
    """Figures with what they are judged together with added to each [ms]."""
    if not base:
        return list(values)
    return [replace(v, value=v.value + base, judged=v.judged + base) for v in values]


def pacing_class(facts: Facts) -> str:
    """How a loop is paced, leaving aside how it makes up for late loops."""
    return facts.pacing_mode.partition(",")[0]


def phases_alike(a: Facts, b: Facts) -> bool:
    """Whether two runs hold the same phases in about the same shares."""
    pa, pb = dict(a.phases), dict(b.phases)
    return set(pa) == set(pb) and all(abs(pa[k] - pb[k]) <= SAME_SHARE for k in pa)


def phase_advice(a: Facts, b: Facts) -> str:
    """What is missing of two runs that hold other phases, and what to do."""
    if not a.phases or not b.phases:
        return f"{(b if a.phases else a).source} does not say its phases: take runs that both do"
    held = [dict(one.phases) for one in (a, b)]
    lacks = [f"{one.name} lacks {listed([name for name in other if name not in mine], 4)}"
             for one, mine, other in zip((a, b), held, held[::-1], strict=True)
             if set(other) - set(mine)]  # fmt: skip
    both = set(held[0]) & set(held[1])
    advice = "choose one with --phase" if both else "take runs that have a phase in common"
    return "; ".join([*lacks, advice])


def _each(facts: Sequence[Facts], get: Callable[[Facts], object]) -> str:
    seen = dict.fromkeys(get(f) for f in facts)
    return " and ".join(str(s) for s in seen)


def phases_text(facts: Facts) -> str:
    """The phases of a run and their shares, in words."""
    return ", ".join(f"{name} {100 * share:.0f} %" for name, share in facts.phases) or "none"


def _tick(facts: Facts) -> str:
    return f"{facts.tick_ns / 1e6:g} ms"


def _budget(facts: Facts) -> str:
    return "none" if facts.budget_ms is None else f"{facts.budget_ms:g} ms"


def _call_names(runs: Sequence[Judged]) -> set[str]:
    keys = {c.key for run in runs for c in run.values.calls}
    return {f"{name} (thread {thread})" if thread else name for name, thread in keys}


def unlike(before: Sequence[Judged], after: Sequence[Judged]) -> list[Unlike]:
    """In what the sides differ besides their figures.

    Raises
    ------
    UsageError
        If they hold unlike mixes of phases.
    """
    a, b = ([run.facts for run in side] for side in (before, after))
    for one in (*a, *b):
        if not phases_alike(a[0], one):
            raise UsageError(
                f"{one.source} holds other phases ({phases_text(one)}) than {a[0].source}"
                f" ({phases_text(a[0])}): {phase_advice(one, a[0])}"
            )
    found = []
    for what, get, unit in (
        ("robot", lambda f: f.robot or "not named", "robots"),
        ("pacing", pacing_class, "pacing modes"),
        ("budget", _budget, "budgets"),
        ("tick", _tick, "clock ticks"),
    ):
        if (had := {get(f) for f in a}) != (has := {get(f) for f in b}):
            verb = "can't be told of all runs" if "can't tell" in had | has else "differ"
            found.append(Unlike(what, f"{unit} {verb}: {_each(a, get)} before,"
                                      f" {_each(b, get)} after"))  # fmt: skip
    found += _unlike_calls(before, after) + _unlike_counts(before, after)
    found += _unlike_lengths(before, after)
    if {f.work_known for f in (*a, *b)} == {True, False}:
        found.append(Unlike("work", "the pacing wait is logged in some runs only: periods are"
                                    " compared, which hide what fits the pace"))  # fmt: skip
    return found


def _unlike_calls(before: Sequence[Judged], after: Sequence[Judged]) -> list[Unlike]:
    old, new = _call_names(before), _call_names(after)
    if old == new:
        return []
    parts = []
    for names, where in ((old - new, "only before"), (new - old, "only after")):
        if names:
            shown = ", ".join(sorted(names)[:5]) + (" ..." if len(names) > 5 else "")
            parts.append(f"{where}: {shown}")
    return [Unlike("calls", "the sides hold different calls; " + "; ".join(parts))]


def _unlike_counts(before: Sequence[Judged], after: Sequence[Judged]) -> list[Unlike]:
    """Calls that every loop of one side holds surely more often than every loop of the other."""
    old, new = ([_a_loop(run.values) for run in side] for side in (before, after))
    found = []
    for key in set.intersection(*map(set, [*old, *new])):
        a, b = ([run[key] for run in side] for side in (old, new))
        apart = max(min(b) - max(a), min(a) - max(b))
        if apart > _OFTENER * min(*a, *b) and apart > _OFTENER:
            times = [f"{math.fsum(side) / len(side):.3g}" for side in (a, b)]
            name = key[0] if not key[1] else f"{key[0]} (thread {key[1]})"
            found.append(f"{name} runs {times[1]} times a loop after, {times[0]} before")
    return [Unlike("often", "; ".join(sorted(found)))] if found else []


def _a_loop(run: RunValues) -> dict[tuple[str, str], float]:
    """How often calls run in a loop, on the average."""
    return {c.key: c.calls / run.facts.loops for c in run.calls if c.calls and run.facts.loops}


def _unlike_lengths(before: Sequence[Judged], after: Sequence[Judged]) -> list[Unlike]:
    full = [run.full_s for run in (*before, *after)]
    if max(full) <= (1 + SAME_LENGTH) * min(full):
        return []
    used = [run.facts.duration_s for run in (*before, *after)]
    what = f"lengths differ: {min(full):.3g} s to {max(full):.3g} s after the warm-up"
    if max(used) <= (1 + SAME_LENGTH) * min(used):
        return [Unlike("length", f"{what}; all are cut to {min(used):.3g} s")]
    return [Unlike("length", f"{what}; stored runs could not be cut to equal length")]
