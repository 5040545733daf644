"""What the figures of a log rest on though little shows it: to be said in each sentence of them."""

from looptime.parsers.columns.role import BY_NAME, IN_LIST, Role
from looptime.parsers.layouts.contract import LoopRows, Reading
from looptime.parsers.layouts.each_row import maybe_no_loops
from looptime.words import listed, named

__all__ = ["row_supposed"]

#: What a column is taken for, in words.
_TAKEN = {
    "part": "a length of time", "beside": "a length of time beside the loop",
    "whole": "the length of the loop's work", "period": "the length of the loop",
}  # fmt: skip


def row_supposed(rows: LoopRows, log: Reading) -> tuple[str, ...]:
    """What would follow an "if" in any sentence about the loops of a log of one row a loop."""
    made = ["each row is a loop"] if maybe_no_loops(rows, log) else []
    made += [rows.supposed] if rows.supposed else []
    clock, parts = log.given.one.get("time"), log.given.groups.get("part", ())
    if log.dialect.header is None and not log.options.columns and clock is not None and parts:
        places = listed([str(head.index + 1) for head in parts])
        lengths = f"columns {places} are lengths" if len(parts) > 1 else f"column {places} a length"
        made.append(f"column {clock.index + 1} is the clock and {lengths}")
    doubted: dict[str, list[str]] = {}
    for head, role in log.given.roles:
        if _doubted(role):
            doubted.setdefault(_TAKEN[role.taken_as], []).append(head.text)
    for what, names in doubted.items():
        made.append(f"{named(names)} {'is' if len(names) == 1 else 'are each'} {what}")
    return tuple(made)


def _doubted(role: Role) -> bool:
    """Whether a column whose figures are told is not certain to be what it is taken for."""
    doubted = role.sure == "unsure" or role.why in (BY_NAME, IN_LIST)
    return doubted and role.unit_ns is not None and role.taken_as in _TAKEN
