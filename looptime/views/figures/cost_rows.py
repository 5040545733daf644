"""Rows of cost figures: like calls put together, the rest in one, so that they add up."""

from collections.abc import Collection, Sequence

from looptime.analysers.call_costs import CallCost, GroupCost, like_calls, total
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED

__all__ = ["CostRow", "alike", "as_rows", "with_rest"]


@dataclass(frozen=True)
class CostRow:
    """One bar of a cost figure."""

    name: str  #: A call, a pattern that stands for several, or a group of calls
    kind: str  #: Kind of the calls; empty where they are of several
    members: tuple[str, ...]  #: The calls that it stands for, where they are several
    #: As of a call; sums over the members.
    calls_per_loop: float
    self_ms_per_loop: float
    share: float | None
    slow_excess_ms: float | None
    variance_share: float | None

    @property
    def words(self) -> str:
        """Name, and of how many calls.

        Examples
        --------
        >>> CostRow("drive.*.read", "sensor read", ("a", "b"), 2, 1, None, None, None).words
        '2 x drive.*.read'
        """
        return f"{len(self.members)} x {self.name}" if self.members else self.name


def as_rows(costs: Sequence[CallCost | GroupCost], kind: str = "") -> list[CostRow]:
    """A row for each call, or for each group of calls."""
    return [_sum(c.name, getattr(c, "kind", kind), (), [c]) for c in costs]


def alike(calls: Sequence[CallCost], opened: Collection[str] = ()) -> list[CostRow]:
    """Calls of the loop's thread, like ones in one row, dearest first.

    Parameters
    ----------
    calls : sequence of CallCost
        With what no call covers.
    opened : collection of str
        Patterns whose calls are shown one by one.
    """
    made: list[CostRow] = []
    for pattern, mine in like_calls(calls):
        if len(mine) == 1 or pattern in opened:
            made += as_rows(mine)
        else:
            made.append(_sum(pattern, mine[0].kind, tuple(c.name for c in mine), mine))
    return sorted(made, key=lambda r: -r.self_ms_per_loop)


def with_rest(rows: Sequence[CostRow], most: int) -> list[CostRow]:
    """The first rows and what no call covers, the others as one, in the order given."""
    if len(rows) <= most:
        return list(rows)
    own = [r for r in rows if r.name == UNATTRIBUTED]
    # a wait has no share, so that it cannot be in a sum with what has one
    first = [r for r in rows if r not in own][: most - 1 - len(own)]
    kept = [r for r in rows if r in first or r in own or r.share is None]
    left = [r for r in rows if r not in kept]
    calls = sum(len(r.members) or 1 for r in left)
    return [*kept, _sum(f"{calls} other calls" if calls > 1 else left[0].name, "", (), left)]


def _sum(
    name: str, kind: str, members: tuple[str, ...], of: Sequence[CallCost | GroupCost | CostRow]
) -> CostRow:
    return CostRow(
        name, kind, members, total(of, "calls_per_loop") or 0.0,
        total(of, "self_ms_per_loop") or 0.0, total(of, "share"), total(of, "slow_excess_ms"),
        total(of, "variance_share"),
    )  # fmt: skip
