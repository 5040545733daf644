"""Calls that only one side holds, put beside each other: what was replaced by what."""

import math
import re
from collections.abc import Mapping, Sequence

from looptime.analysers.alike import grouped
from looptime.checks.compare.sides import Judged
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED

__all__ = ["SAME_COST", "Replaced", "replaced"]


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
    moved_to: str = ""  #: Thread on which the other side makes a call that is gone, if it does

    @property
    def text(self) -> str:
        """One sentence."""
        old = _words(self.before, self.before_name, self.before_ms)
        new = _words(self.after, self.after_name, self.after_ms)
        if not self.after:
            return f"{old}, gone" + (f" to thread {self.moved_to}" if self.moved_to else "")
        return f"{old}, became {new}" if self.before else f"{new}, new"


def _words(calls: tuple[str, ...], name: str, ms: float) -> str:
    many = f"{len(calls)} x " if len(calls) > 1 else ""
    return f"{many}{name} {ms:.3g} ms a loop"


def replaced(before: Sequence[Judged], after: Sequence[Judged]) -> tuple[Replaced, ...]:
    """Pair the calls that only one side holds by kind, bus and the first part of their names.

    One call that came is paired with all of its kind and bus that went, if it costs no more; and
    one that bears the name that several have in common, for all of them (``wheel1``, ``wheel2``:
    ``wheels``, ``wheel_all``), whatever kind its name lets guess;
    the only one that came with the only one that went, if they cost the same: a new name; or with
    all that went, and the other way round: split in several. Where several candidates fit equally
    nothing is paired: they stand as gone and as new.

    Examples
    --------
    >>> replaced([], [])
    ()
    """
    if not all(any(run.values.calls for run in side) for side in (before, after)):
        return ()  # where one side times no call at all, none is gone or new
    old, new = _own(before, after), _own(after, before)
    out = []
    for key in list(old):
        if len(old[key]) == 1 and len(new.get(key, ())) == 1:
            (a,), (b,) = old.pop(key), new.pop(key)
            out.append(Replaced(a[1], b[1], a[0], b[0], a[2], b[2]))
    moved = {name: thread for run in after for name, thread in (c.key for c in run.values.calls)
             if thread}  # fmt: skip
    for kind in {key[0] for key in old}:
        gone = [g for key in old if key[0] == kind for g in old[key] if not _moved(g, moved)]
        came = [g for key in new if key[0] == kind for g in new[key]]
        if gone and len(came) == 1 and came[0][2] <= math.fsum(g[2] for g in gone):
            out.append(_joined(gone, came))
            old = {key: [g for g in at if g not in gone] for key, at in old.items()}
            new = {key: [g for g in at if g not in came] for key, at in new.items()}
    gone, came = ([g for at in side.values() for g in at] for side in (old, new))
    for many, whole, forward in _under_one_name(gone, came):
        out.append(_joined([many], [whole]) if forward else _joined([whole], [many]))
        gone, came = ([g for g in side if g not in (many, whole)] for side in (gone, came))
    costs = [math.fsum(g[2] for g in side) for side in (gone, came)]
    one = gone and came and 1 in (len(gone), len(came))
    if one and abs(costs[1] - costs[0]) <= SAME_COST * costs[0]:
        out.append(_joined(gone, came))
        gone, came = [], []
    out += [Replaced(m, (), p, "", ms, 0.0, _moved((p, m, ms), moved)) for p, m, ms in gone]
    out += [Replaced((), m, "", p, 0.0, ms) for p, m, ms in came]
    return tuple(sorted(out, key=lambda r: -max(r.before_ms, r.after_ms)))


_Group = tuple[str, tuple[str, ...], float]
#: Calls that cost the same, within this share, may be one under two names.
SAME_COST = 0.1


#: What a name for all of several like things adds to the name that they have in common.
_ALL = re.compile(
    r"[\W_]*(?:e?s[\W_]*)?(all|batch|bulk|block|every|group|multi|set|sync)?(?![a-z])",
    re.IGNORECASE,
)


def _under_one_name(
    gone: Sequence[_Group], came: Sequence[_Group]
) -> list[tuple[_Group, _Group, bool]]:
    """Several like calls of one side and the only call of the other that is named for all of them.

    The last tells whether the several went. They cost no less together than the one.
    """
    found = []
    for side, other, forward in ((gone, came, True), (came, gone, False)):
        for many in side:
            stem = many[0].partition("*")[0].rstrip("._/ -")
            ones = [g for g in other if len(g[1]) == 1 and _names_all(g[0], stem)]
            if len(many[1]) > 1 and len(ones) == 1 and ones[0][2] <= (1 + SAME_COST) * many[2]:
                found.append((many, ones[0], forward))
    return found


def _names_all(name: str, stem: str) -> bool:
    """Whether a name is one for all things whose names begin so.

    Examples
    --------
    >>> [_names_all(name, "mot") for name in ("motAll.write", "mots", "mot_batch", "motion.plan")]
    [True, True, True, False]
    """
    begins = len(stem) > 2 and name.lower().startswith(stem.lower())
    return begins and _ALL.match(name, len(stem)) is not None


def _moved(group: _Group, threads: Mapping[str, str]) -> str:
    """The thread to which all calls of a group moved; nothing where they did not."""
    found = {threads.get(name, "") for name in group[1]}
    return found.pop() if len(found) == 1 else ""


def _joined(gone: Sequence[_Group], came: Sequence[_Group]) -> Replaced:
    """Calls of one side and those of the other as one replacement."""

    def names(groups: Sequence[_Group]) -> tuple[str, ...]:
        return tuple(name for group in groups for name in group[1])

    patterns = [side[0][0] if len(side) == 1 else f"({' and '.join(g[0] for g in side)})"
                for side in (gone, came)]  # fmt: skip
    costs = [math.fsum(group[2] for group in side) for side in (gone, came)]
    return Replaced(names(gone), names(came), patterns[0], patterns[1], costs[0], costs[1])


def _own(side: Sequence[Judged], other: Sequence[Judged]) -> dict[tuple[object, str], list[_Group]]:
    """Groups of calls of the loop's thread that the other side lacks, by what they are."""
    theirs = {c.key for run in other for c in run.values.calls}
    costs: dict[tuple[str, object], list[float]] = {}
    for run in side:
        for c in run.values.calls:
            if c.counts and c.on_loop_thread and c.key not in theirs and c.name != UNATTRIBUTED:
                costs.setdefault((c.name, (c.kind, c.bus)), []).append(c.mean.value)
    out: dict[tuple[object, str], list[_Group]] = {}
    mean = {name: math.fsum(v) / len(side) for (name, _), v in costs.items()}
    kind = dict(list(costs))
    for pattern, members in grouped(costs):
        first = members[0].replace("/", ".").partition(".")[0]
        total = math.fsum(mean[name] for name in members)
        out.setdefault((kind[members[0]], first), []).append((pattern, tuple(members), total))
    return out
