"""Nesting of calls on one thread."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from looptime.parsers.layouts.nesting import nest, parents_first


def slow_nest(start: list[int], end: list[int]) -> tuple[list[int], list[int], list[int]]:
    """Depth, parent and self time with a stack, one call after another."""
    depth, parent, self_ns = [], [], []
    stack: list[int] = []
    for i, (s, e) in enumerate(zip(start, end, strict=True)):
        while stack and s >= end[stack[-1]]:
            stack.pop()
        depth.append(len(stack))
        parent.append(stack[-1] if stack else -1)
        self_ns.append(e - s)
        if stack:
            self_ns[stack[-1]] -= e - s
        stack.append(i)
    return depth, parent, self_ns


@st.composite
def trees(draw: st.DrawFn) -> tuple[list[int], list[int]]:
    """Well-nested calls in start order, some of them without length."""
    start: list[int] = []
    end: list[int] = []

    def grow(at: int, level: int) -> int:
        row = len(start)
        start.append(at)
        end.append(at)
        for _ in range(draw(st.integers(0, 3)) if level < 3 else 0):
            at = grow(at + draw(st.integers(0, 4)), level + 1)
        end[row] = at + draw(st.integers(1, 4))
        return end[row]

    at = 0
    for _ in range(draw(st.integers(1, 6))):
        at = grow(at + draw(st.integers(0, 5)), 0)
    return start, end


@given(trees())
def test_agrees_with_a_stack(tree):
    """The level-wise method finds what a stack finds, call by call."""
    start, end = tree
    found = nest(np.array(start), np.array(end))
    depth, parent, self_ns = slow_nest(start, end)
    assert found.depth.tolist() == depth
    assert found.parent.tolist() == parent
    assert found.self_ns.tolist() == self_ns
    assert not found.overlaps.any()


@given(trees())
def test_end_order_and_start_order_are_one(tree):
    """Rows written as calls end are brought to the same order as rows written as they start."""
    start, end = np.array(tree[0]), np.array(tree[1])
    ended = np.lexsort((-np.arange(len(start)), end))
    order = parents_first(start[ended], end[ended])
    s, e = start[ended], end[ended]
    if order is not None:
        s, e = s[order], e[order]
    assert s.tolist() == start.tolist()
    assert e.tolist() == end.tolist()


def test_rounding_of_a_tick_is_no_overlap():
    """A sibling that begins a tick before the other ends stays one, and time counts once."""
    start = np.array([0, 100, 299])
    end = np.array([300, 200, 400])
    found = nest(start, end, tolerance=2)
    assert found.depth.tolist() == [0, 1, 0]
    assert found.self_ns.tolist() == [199, 100, 101]


def test_child_that_ends_a_tick_late_is_cut_back():
    """A nested call that rounding lets outlive its parent by a tick is still nested."""
    found = nest(np.array([0, 50]), np.array([100, 101]), tolerance=2)
    assert found.parent.tolist() == [-1, 0]
    assert found.self_ns.tolist() == [50, 50]


@pytest.mark.parametrize(
    ("second", "end", "self_ns", "depth"),
    [(290, 320, [290, 30], [0, 0]), (280, 310, [280, 20], [0, 1])],
)
def test_the_smaller_rounding_decides(second, end, self_ns, depth):
    """Of two readings of an overlap of a tick or two, the one that moves an end less is taken."""
    found = nest(np.array([0, second]), np.array([300, end]), tolerance=20)
    assert found.depth.tolist() == depth
    assert found.self_ns.tolist() == self_ns


def test_true_overlap_is_named():
    """A call that begins within another and ends well after it is neither nested nor beside it."""
    found = nest(np.array([0, 50]), np.array([100, 150]), tolerance=2)
    assert found.overlaps.tolist() == [False, True]


def test_calls_after_an_overlap_are_judged_without_it():
    """A call that only the overlapping one hides stands beside the first, with its own parts."""
    start, end = np.array([0, 50, 120, 130, 300]), np.array([100, 200, 180, 140, 310])
    found = nest(start, end, tolerance=2)
    assert found.overlaps.tolist() == [False, True, False, False, False]
    assert found.depth.tolist()[2:] == [0, 1, 0]
    assert found.parent.tolist()[2:] == [-1, 2, -1]
    assert found.self_ns.tolist() == [100, 150, 50, 10, 10]


@pytest.mark.parametrize("length", [15, 25, 95])
def test_a_chain_of_overlaps_comes_to_an_end(length):
    """Where every call overlaps the next, those are kept that begin after the last one kept."""
    start = np.arange(0, 2000, 10)
    found = nest(start, start + length, tolerance=2)
    kept, free = [], 0
    for row, begin in enumerate(start.tolist()):
        if begin >= free:
            kept.append(row)
            free = begin + length
    assert np.flatnonzero(~found.overlaps).tolist() == kept


@given(trees(), st.lists(st.tuples(st.integers(0, 60), st.integers(1, 40)), max_size=4))
def test_any_calls_leave_a_well_nested_rest(tree, strays):
    """Whatever stands in the log, what is kept nests, and a stack finds the same in it."""
    rows = sorted(
        [*zip(*tree, strict=True), *((s, s + d) for s, d in strays)], key=lambda r: (r[0], -r[1])
    )
    start, end = (np.array(column) for column in zip(*rows, strict=True))
    good = np.ones(len(start), bool)
    found = nest(start, end)
    while found.overlaps.any():
        good[np.flatnonzero(good)[found.overlaps]] = False
        found = nest(start[good], end[good])
    assert good.any()
    depth, parent, self_ns = slow_nest(start[good].tolist(), end[good].tolist())
    assert found.depth.tolist() == depth
    assert found.parent.tolist() == parent
    assert found.self_ns.tolist() == self_ns
    assert (found.end <= end[good]).all()


def test_a_call_that_begins_a_rounding_before_another_ends_lies_beside_it():
    """By as much as the tolerance it is a rounding; by more it lies within and ends late."""
    beside = nest(np.array([0, 98]), np.array([100, 200]), tolerance=2)
    assert (beside.depth.tolist(), beside.parent.tolist()) == ([0, 0], [-1, -1])
    assert beside.self_ns.tolist() == [98, 102]
    assert not beside.overlaps.any()
    crossing = nest(np.array([0, 97]), np.array([100, 200]), tolerance=2)
    assert crossing.overlaps.tolist() == [False, True]
