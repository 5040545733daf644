"""What a thread holds while its calls begin and end, cut so that all lie within each other.

Who takes the next lock before letting go of the last one holds both for a while, and a call may
take a lock that its caller lets go. A call is one row; what is held is cut where it must be, and
each part is a row.
"""

from dataclasses import field

from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.records import dataclass

__all__ = ["untangled"]

Edge = tuple[int, int]  #: Name, and `BEGIN` or `END`


@dataclass
class _Open:
    """What has begun: its name, and the place of the edge at which it did."""

    name: int
    place: int
    held: bool


@dataclass
class _Cuts:
    """Edges to put in before each edge, and right after it."""

    before: dict[int, list[Edge]] = field(default_factory=dict)
    after: dict[int, list[Edge]] = field(default_factory=dict)


def untangled(edges: list[Edge], held: set[int]) -> list[tuple[int, int, int]]:
    """The edges of one thread, where those of `held` names are cut at what they would cross.

    Returns
    -------
    list of (place, name, side)
        Place of the edge at whose instant each is.

    Examples
    --------
    Lock 1 is taken, then 2, and 1 is let go before 2: the rest of 2 is a part of its own.

    >>> untangled([(1, BEGIN), (2, BEGIN), (1, END), (2, END)], {1, 2})
    [(0, 1, 0), (1, 2, 0), (2, 2, 1), (2, 1, 1), (2, 2, 0), (3, 2, 1)]
    """
    stack: list[_Open] = []
    cuts = _Cuts()
    for place, (name, side) in enumerate(edges):
        if side == BEGIN:
            stack.append(_Open(name, place, name in held))
        elif side == END:
            found = next((k for k in range(len(stack) - 1, -1, -1) if stack[k].name == name), None)
            if found is not None:
                _end(stack, found, place, cuts)
    made = []
    for place, edge in enumerate(edges):
        row = [*cuts.before.get(place, []), edge, *cuts.after.get(place, [])]
        made += [(place, name, side) for name, side in row]
    return made


def _end(stack: list[_Open], found: int, place: int, cuts: _Cuts) -> None:
    """End what stands there in the stack; what is held above it goes on."""
    ends = stack[found]
    if ends.held:
        found = _above_calls(stack, found, cuts)
    above = stack[found + 1 :]
    kept = [one for one in above if one.held]  # a call above another has lost its end
    del stack[found:]
    if len(kept) < len(above):
        stack += kept
        return
    for one in reversed(kept):
        cuts.before.setdefault(place, []).append((one.name, END))
    for one in kept:
        cuts.after.setdefault(place, []).append((one.name, BEGIN))
        stack.append(_Open(one.name, place, True))


def _above_calls(stack: list[_Open], found: int, cuts: _Cuts) -> int:
    """Cut what is held at the begin of each call above it, so that it then lies within the last."""
    while True:
        call = next((k for k in range(found + 1, len(stack)) if not stack[k].held), None)
        if call is None:
            return found
        at = stack[call].place
        parts = [*stack[found + 1 : call], stack[found]]
        order = [stack[found], *stack[found + 1 : call]]
        cuts.before.setdefault(at, []).extend((one.name, END) for one in reversed(order))
        cuts.after[at] = [(one.name, BEGIN) for one in parts] + cuts.after.get(at, [])
        inside = [_Open(one.name, at, True) for one in parts]
        stack[found : call + 1] = [stack[call], *inside]
        found += len(inside)
