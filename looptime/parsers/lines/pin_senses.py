"""Pins of a recording: when each is on, be that while it is high or while it is low."""

from dataclasses import replace
from itertools import combinations, product

import numpy as np

from looptime.array_types import Float, Int
from looptime.records import dataclass

__all__ = ["Pin", "cut_across", "find_senses", "pairs_of", "spans_of", "stretches"]

#: Share of the calls that may cut across others, and of a loop that is more than a mere mark.
_CROSSING, _IDLE = 0.05, 0.05
#: Shares of the spans of a pin in which the loop's changes, in its own sense and in the other.
_FEW, _MANY = 0.1, 0.5
#: Pins up to which each sense of each is tried.
_MOST_TRIED = 8


@dataclass
class Pin:
    """The changes of one pin: of the levels that say that it is on and off, by time."""

    name: str
    high: Int  #: Places among all changes at which it goes high, shape (h,)
    low: Int  #: And low, shape (l,)
    inverted: bool = False
    toggled: bool = False  #: Whether each change is a begin

    def begins(self) -> Int:
        """Changes at which something begins."""
        if self.toggled:
            return np.sort(np.concatenate([self.high, self.low]))
        return self.low if self.inverted else self.high

    def ends(self) -> Int:
        """Changes at which something ends."""
        if self.toggled:
            return self.begins()[1:]
        return self.high if self.inverted else self.low


def stretches(pin: Pin, at: Float) -> tuple[float, float]:
    """How long a pin is high and low, as a rule."""
    both = np.sort(np.concatenate([pin.high, pin.low]))
    length, high = np.diff(at[both]), np.isin(both[:-1], pin.high)
    return float(np.median(length[high])), float(np.median(length[~high]))


def find_senses(pins: list[Pin], loop: Pin | None, at: Float) -> None:
    """Tell which pins are on while they are low: calls lie within each other, or apart."""
    if loop is None:
        _without_crossing(pins, at)
        return
    edges = at[np.sort(np.concatenate([loop.high, loop.low]))]
    others = [pin for pin in pins if pin is not loop]
    for pin in others:
        high, low = (_holding(edges, *spans_of(replace(pin, inverted=way), at))
                     for way in (False, True))  # fmt: skip
        pin.inverted = low < _FEW and high > _MANY
    if others:
        _turn_around(loop, others, at)


def _holding(edges: Float, begin: Float, end: Float) -> float:
    """Share of spans in which something else changes."""
    inside = np.searchsorted(edges, end) > np.searchsorted(edges, begin, "right")
    return float(inside.mean()) if len(inside) else 1.0


def _without_crossing(pins: list[Pin], at: Float) -> None:
    """Choose the senses in which calls cut across each other least: all high if they may be."""
    count = len(pins)
    ways = [(False,) * count, (True,) * count]
    if count <= _MOST_TRIED:
        ways += sorted(set(product((False, True), repeat=count)) - set(ways), key=sum)
    spans = [[spans_of(replace(pin, inverted=way), at) for way in (False, True)] for pin in pins]
    across = {(one, a, other, b): _across(spans[one][a], spans[other][b])
              for one, other in combinations(range(count), 2)
              for a in (False, True) for b in (False, True)}  # fmt: skip

    def crossing(way: tuple[bool, ...]) -> float:
        pairs = combinations(range(count), 2)
        return max((across[one, way[one], other, way[other]] for one, other in pairs), default=0.0)

    def length(way: tuple[bool, ...]) -> float:
        return sum(float((spans[k][w][1] - spans[k][w][0]).sum()) for k, w in enumerate(way))

    fit = [way for way in ways if crossing(way) <= _CROSSING]
    best = ways[0] if ways[0] in fit else min(fit, key=length, default=ways[0])
    for pin, inverted in zip(pins, best, strict=True):
        pin.inverted = inverted


def _across(one: tuple[Float, Float], other: tuple[Float, Float]) -> float:
    """Share of the spans of two pins that cut across each other."""
    cut = 0
    for (begin, end), (start, stop) in ((one, other), (other, one)):
        last = np.searchsorted(begin, start) - 1  # the span that began before
        known = np.maximum(last, 0)
        cut += int(((last >= 0) & (start < end[known]) & (stop > end[known])).sum())
    return cut / max(min(len(one[0]), len(other[0])), 1)


def _turn_around(loop: Pin, others: list[Pin], at: Float) -> None:
    """Turn the loop's pin where the others are on outside of it, and its pause is no mere mark."""
    up, down = stretches(loop, at)
    on, off = (down, up) if loop.inverted else (up, down)
    begin, end = spans_of(loop, at)
    within = []
    for pin in others:
        mine = at[pin.begins()]
        last = np.searchsorted(begin, mine, "right") - 1
        within.append(float(((last >= 0) & (mine < end[np.maximum(last, 0)])).mean()))
    if max(within) < 0.1 and on > _IDLE * (on + off):
        loop.inverted = not loop.inverted


def spans_of(pin: Pin, at: Float) -> tuple[Float, Float]:
    """Begins and ends of a pin's calls."""
    begin, end = pairs_of(pin)
    return at[begin], at[end]


def pairs_of(pin: Pin) -> tuple[Int, Int]:
    """Changes at which each of a pin's calls begins and ends."""
    begin, end = pin.begins(), pin.ends()
    after = np.searchsorted(end, begin, "right")
    known = after < len(end)
    begin, after = begin[known], after[known]
    single = np.append(np.diff(after) > 0, True)  # of two begins the later has the end
    return begin[single], end[after[single]]


def cut_across(pins: list[Pin], at: Float) -> bool:
    """Whether calls of any two pins cut across each other."""
    spans = [spans_of(pin, at) for pin in pins]
    return any(_across(one, other) > _CROSSING for one, other in combinations(spans, 2))
