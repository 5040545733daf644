"""Calls that only one side holds, put beside each other: what was replaced by what."""

from __future__ import annotations

import math
from collections.abc import Sequence

from looptime.analysers.alike import grouped
from looptime.checks.compare.sides import Judged
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED

__all__ = ["Replaced", "replaced"]


@dataclass(frozen=True)
class Replaced:
    """Calls of one side and those that seem to have taken their place."""

    #: Names of calls; empty where nothing stood in that place.
    before: tuple[str, ...]
    after: tuple[str, ...]
    #: One pattern for each; empty likewise.
    before_name: str
    after_name: str
    #: Self time a loop, all of them together, mean over the runs.
    before_ms: float
    after_ms: float

    @property
    def text(self) -> str:
        """One sentence."""
        old = _words(self.before, self.before_name, self.before_ms)
        new = _words(self.after, self.after_name, self.after_ms)
        if not self.after:
            return f"{old}, gone"
        return f"{old}, became {new}" if self.before else f"{new}, new"


def _words(calls: tuple[str, ...], name: str, ms: float) -> str:
    many = f"{len(calls)} x " if len(calls) > 1 else ""
    return f"{many}{name} {ms:.3g} ms a loop"


def replaced(before: Sequence[Judged], after: Sequence[Judged]) -> tuple[Replaced, ...]:
    """Pair the calls that only one side holds by kind, bus and the first part of their names.

    Where several candidates fit equally nothing is paired: they stand as gone and as new.

    Examples
    --------
    >>> replaced([], [])
    ()
    """
    old, new = _own(before, after), _own(after, before)
    out = []
    for key in list(old):
        if len(old[key]) == 1 and len(new.get(key, ())) == 1:
            (a,), (b,) = old.pop(key), new.pop(key)
            out.append(Replaced(a[1], b[1], a[0], b[0], a[2], b[2]))
    out += [Replaced(m, (), p, "", ms, 0.0) for at in old.values() for p, m, ms in at]
    out += [Replaced((), m, "", p, 0.0, ms) for at in new.values() for p, m, ms in at]
    return tuple(sorted(out, key=lambda r: -max(r.before_ms, r.after_ms)))


_Group = tuple[str, tuple[str, ...], float]


def _own(side: Sequence[Judged], other: Sequence[Judged]) -> dict[object, list[_Group]]:
    """Groups of calls of the loop's thread that the other side lacks, by what they are."""
    theirs = {c.key for run in other for c in run.values.calls}
    costs: dict[tuple[str, object], list[float]] = {}
    for run in side:
        for c in run.values.calls:
            if c.counts and c.on_loop_thread and c.key not in theirs and c.name != UNATTRIBUTED:
                costs.setdefault((c.name, (c.kind, c.bus)), []).append(c.mean.value)
    out: dict[object, list[_Group]] = {}
    mean = {name: math.fsum(v) / len(side) for (name, _), v in costs.items()}
    kind = dict(list(costs))
    for pattern, members in grouped(costs):
        first = members[0].replace("/", ".").partition(".")[0]
        total = math.fsum(mean[name] for name in members)
        out.setdefault((kind[members[0]], first), []).append((pattern, tuple(members), total))
    return out
