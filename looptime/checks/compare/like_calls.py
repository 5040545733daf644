"""The calls of two sides made alike: one that a run does not make takes it nothing."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import takewhile

import numpy as np

from looptime.checks.compare.change import Change
from looptime.checks.compare.replaced import SAME_COST, Replaced, replaced
from looptime.checks.compare.sides import Judged
from looptime.checks.recording.figures import CALL_STATISTICS, CallValues, RunValues, Value
from looptime.checks.recording.recording import Part, Series, rest_part
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED

__all__ = ["LEAST_SHARE", "LikeCall", "LikeCalls", "joined_at", "like_calls", "looked_at"]

#: Share of the loop from which on a call that some runs lack is looked at.
LEAST_SHARE = 0.005
#: Letters that names of reads and of their batch have in common at least.
_STEM = 2

_Key = tuple[str, str]


@dataclass(frozen=True)
class LikeCall:
    """A call that stands in every run once the calls are made alike."""

    name: str
    thread: str  #: Empty on the loop's thread
    statistics: tuple[str, ...]  #: What can be judged of it
    #: Level of the loop where a run lacks the call, else 0 [ms]: nothing has no logarithm, so that
    #: it is judged as a part of the loop.
    base: float = 0.0
    note: str = ""  #: What the sides make of it, where they hold other calls
    held: tuple[_Key, ...] = ()  #: The calls that it stands for

    @property
    def key(self) -> _Key:
        """As in `CallValues`."""
        return (self.name, self.thread)

    def named(self, change: Change) -> Change:
        """A change as one of this call."""
        return replace(change, call=self.name, thread=self.thread, note=self.noted(change.note))

    def noted(self, note: str) -> str:
        """A note on a figure of this call behind its own."""
        return "; ".join(text for text in (self.note, note) if text)


@dataclass(frozen=True)
class LikeCalls:
    """Two sides whose runs hold the same calls."""

    before: tuple[Judged, ...]
    after: tuple[Judged, ...]
    calls: tuple[LikeCall, ...]


def like_calls(before: Sequence[Judged], after: Sequence[Judged], quantity: str) -> LikeCalls:
    """Make the calls of two sides alike, and say which can be judged.

    A call of the loop's thread that a run does not make takes 0 there, if it matters where it is
    made. Calls that took the place of others at the same cost are one. A call of another thread
    is held against itself where every run has it.

    Parameters
    ----------
    before, after : sequence of Judged
        The runs of each side.
    quantity : {"period", "work"}
        What is judged of the loop.
    """
    runs = [*before, *after]
    values = [run.values for run in runs]
    keys = dict.fromkeys(c.key for run in values for c in run.calls)
    members: dict[_Key, tuple[_Key, ...]] = {k: (k,) for k in keys if looked_at(k, values)}
    means = {
        k: [run.call[k].mean.value if k in run.call else 0.0 for run in values] for k in members
    }
    for group, into in list(joined_at(values, means, len(before))):
        for key in group:
            members.pop(key)
        members[into] = tuple(dict.fromkeys((*group, into)))
    level = float(np.median([run.by_name[quantity, "mean"].value for run in values]))
    calls = [_like(key, held, values, len(before), level) for key, held in members.items()]
    made = [_with_calls(run, members) for run in runs]
    return LikeCalls(tuple(made[: len(before)]), tuple(made[len(before) :]), tuple(calls))


def looked_at(key: _Key, values: Sequence[RunValues]) -> bool:
    """Whether a call is judged: in every run, or on the loop's thread and not too small."""
    calls = [run.call[key] for run in values if key in run.call]
    if len(calls) == len(values):
        return all(c.counts or not c.on_loop_thread for c in calls)
    loop = math.fsum(run.by_name["period", "mean"].value for run in values) / len(values)
    mean = math.fsum(c.mean.value for c in calls) / len(calls)
    return all(c.counts and c.on_loop_thread for c in calls) and mean >= LEAST_SHARE * loop


def joined_at(
    values: Sequence[RunValues],
    means: Mapping[_Key, Sequence[float]],
    place: int,
    same_cost: bool = True,
) -> Iterator[tuple[list[_Key], _Key]]:
    """Calls that are one, as others of the same cost replaced them from one run on; and its name.

    Renamed, split, or taken out of what another call or no call covered. Without `same_cost` also
    several that became one of another cost whose name begins as theirs: reads that became a batch.
    """
    left = dict(means)
    came = [k for k, s in left.items() if not any(s[:place]) and all(s[place:])]
    gone = [k for k, s in left.items() if all(s[:place]) and not any(s[place:])]
    if not came and not gone:
        return
    sides = [[Judged(run, None, run.facts.duration_s) for run in part]
             for part in (values[:place], values[place:])]  # fmt: skip
    for r in replaced(*sides):
        alike = abs(r.after_ms - r.before_ms) <= SAME_COST * r.before_ms
        old, new = ([(name, "") for name in names] for names in (r.before, r.after))
        if (
            (alike or (not same_cost and _batched(r)))
            and set(old) <= set(gone)
            and set(new) <= set(came)
            and old
            and new
        ):
            yield [*old, *new], new[-1] if alike or len(old) > 1 else old[0]
            for key in (*old, *new):
                left.pop(key)
    for group in ([k for k in came if k in left], [k for k in gone if k in left]):
        other = _beside(left, group, place)
        if other is not None:
            yield [*group, other], other
            for key in (*group, other):
                left.pop(key)


def _batched(r: Replaced) -> bool:
    """Whether several calls and one whose name begins as theirs stand for each other."""
    several = sorted((len(r.before), len(r.after)))
    names = (*r.before, *r.after)
    stem = takewhile(lambda pair: pair[0] == pair[1], zip(min(names), max(names), strict=False))
    return several[0] == 1 < several[1] and len([*stem]) > _STEM


def _beside(left: Mapping[_Key, Sequence[float]], group: Sequence[_Key], place: int) -> _Key | None:
    """The one call that changed by as much the other way, as where a part of it is timed anew."""
    moved = {key: _moved(s, place) for key, s in left.items()}
    whole = math.fsum(moved[key] for key in group)
    fits = [k for k, s in left.items() if k not in group and all(s)
            and abs(moved[k] + whole) <= SAME_COST * abs(whole)]  # fmt: skip
    return fits[0] if group and len(fits) == 1 else None


def _moved(series: Sequence[float], place: int) -> float:
    before, after = series[:place], series[place:]
    return math.fsum(after) / len(after) - math.fsum(before) / len(before)


def _like(
    key: _Key, held: Sequence[_Key], values: Sequence[RunValues], place: int, level: float
) -> LikeCall:
    made = [sum(k in run.call for k in held) for run in values]
    alone = all(n == 1 for n in made)
    note = ""
    if not all(made):
        sides = [any(made[:place]), any(made[place:])]
        where = {(True, False): "after", (False, True): "before"}.get((sides[0], sides[1]))
        note = f"no such call {where or 'in some runs'}: 0 ms a loop there"
    elif len(held) > 1:
        note = f"together with {', '.join(name for name, _ in held if name != key[0])}: same cost"
    return LikeCall(
        *key, CALL_STATISTICS if alone else ("mean",), 0.0 if all(made) else level, note,
        tuple(held),
    )  # fmt: skip


def _with_calls(run: Judged, members: Mapping[_Key, Sequence[_Key]]) -> Judged:
    calls = tuple(_call(run.values, key, held) for key, held in members.items())
    series = None if run.series is None else _series(run.series, members)
    return replace(run, values=replace(run.values, calls=calls), series=series)


def _call(run: RunValues, key: _Key, held: Sequence[_Key]) -> CallValues:
    """The call of one run: those that it holds together, or nothing."""
    found = [run.call[k] for k in held if k in run.call]
    if len(found) == 1:
        return replace(found[0], name=key[0])
    return CallValues(
        key[0], key[1], "other", None, None, None, on_loop_thread=True, counts=True,
        calls=sum(c.calls for c in found), total_ns=sum(c.total_ns for c in found),
        mean=_sum("mean", [c.mean for c in found], run.facts.loops),
        p99=_sum("p99", [c.p99 for c in found], run.facts.loops),
    )  # fmt: skip


def _sum(statistic: str, parts: Sequence[Value], loops: int) -> Value:
    """The sum of figures, as that of means; their errors as of parts that are independent."""
    errors = [v.se for v in parts if v.se is not None]
    return Value(
        "self time", statistic, math.fsum(v.value for v in parts),
        math.fsum(v.judged for v in parts),
        math.hypot(*errors) if len(errors) == len(parts) else None, loops,
        any(v.drifting for v in parts), all(v.enough for v in parts),
    )  # fmt: skip


def _series(series: Series, members: Mapping[_Key, Sequence[_Key]]) -> Series:
    parts = {p.key: p for p in (*series.parts, rest_part(series))}
    none = np.zeros(len(series.period_ns), np.int64)
    made, rest = [], series.unattributed_ns
    for key, held in members.items():
        found = [parts[k] for k in held if k in parts]
        own = sum((p.self_ns for p in found), none)
        if key == (UNATTRIBUTED, ""):
            rest = own
        elif len(found) == 1:
            made.append(replace(found[0], name=key[0]))
        else:
            made.append(Part(*key, self_ns=own))
    return replace(series, parts=tuple(made), unattributed_ns=rest)
