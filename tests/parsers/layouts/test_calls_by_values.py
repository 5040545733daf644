"""Rows that may be calls, told from their instants, lengths and names: each reason by itself."""

import numpy as np
import pytest

from looptime.parsers.columns.headers import heads
from looptime.parsers.layouts.calls_by_values import (
    _as_calls,
    _is_length,
    _may_time,
    _named,
    _numbers_loops,
    _scale,
    call_columns,
)
from looptime.parsers.text.dialect import Dialect

LENGTHS = (2.0, 5.0, 3.0)


def rows(loops=20, lengths=LENGTHS, gap=0.1):
    """Start, end and name of calls that follow each other [ms]."""
    took = np.tile(lengths, loops)
    start = np.cumsum(took + gap) - took
    return start, start + took, np.tile(np.arange(len(lengths)), loops)


def told(start, end, name, thread=None, named=99):
    """Whether rows are calls."""
    return _as_calls(start, end, name, thread, named) is not None


@pytest.mark.parametrize(("loops", "calls"), [(10, True), (9, False)])
def test_thirty_rows_in_turn_without_gaps_are_calls(loops, calls):
    """Ten loops of three; the share that follows closely is all of them."""
    assert told(*rows(loops)) == calls
    if calls:
        assert _as_calls(*rows(loops), None, 99) == 1.0


def test_rows_that_lack_something_are_passed_over():
    """An instant, a name or an end that no row gives."""
    start, end, name = rows()
    start[4], end[7], name[11] = np.nan, np.nan, -1
    assert told(start, end, name)


def test_an_end_before_its_start_or_no_length_at_all_is_none_of_calls():
    """One such row is enough; lengths are all 0 where a column holds something else."""
    start, end, name = rows()
    assert not told(start, np.where(np.arange(60) == 30, start - 1, end), name)
    assert not told(start, start, name)


def test_names_come_in_an_order():
    """What follows closely but comes in any order is no program's round."""
    start, end, name = rows()
    assert not told(start, end, np.random.default_rng(2).integers(0, 6, 60))
    assert not told(start, end, 0 * name)


@pytest.mark.parametrize(("other", "calls"), [(2.9, False), (3.0, True)])
def test_two_names_in_turn_are_half_as_long_again(other, calls):
    """Two states of a loop take turns as well, and last as long."""
    assert told(*rows(40, (2.0, other))) == calls


@pytest.mark.parametrize(("named", "calls"), [(3, True), (4, False)])
def test_calls_far_apart_need_their_names(named, calls):
    """Three short calls with gaps of 20 ms, in their order each time."""
    assert told(*rows(gap=20.0), named=named) == calls
    start, end, _ = rows(gap=20.0)
    assert not told(start, end, np.random.default_rng(2).integers(0, 3, 60), named=named)


def test_calls_that_cut_across_each_other_are_of_two_threads():
    """Those of the thread with most names are looked at, the other's may cut across them."""
    start, end, name = rows()
    beside = np.arange(1.0, 190.0, 9.0)
    every = np.concatenate([start, beside]), np.concatenate([end, beside + 6])
    names = np.append(name, np.full(len(beside), 3))
    order = np.argsort(every[0])
    thread = np.repeat([0, 1], [60, len(beside)])[order]
    given = every[0][order], every[1][order], names[order]
    assert not told(*given)
    assert told(*given, thread)
    assert told(*given, np.where(np.arange(len(thread)) % 9 == 8, -1, thread))


def column(header, cells):
    """A column of a table, and how that is written."""
    sample = tuple((str(cell),) for cell in cells)
    return heads((header,))[0], Dialect(",", ".", (header,), 1, 1, 2, sample=sample)


@pytest.mark.parametrize(
    ("header", "cells", "numbers"),
    [
        ("n", np.repeat(np.arange(20), 3), True),
        ("n", np.append(np.repeat(np.arange(20), 3), np.repeat(np.arange(20), 3)), True),
        ("n_ms", np.repeat(np.arange(20), 3), False),
        ("n", np.repeat(np.arange(20), 3) / 2, False),
        ("n", np.arange(60), False),
        ("n", np.full(60, 7), False),
        ("n", np.repeat(np.arange(0, 40, 2), 3), False),
        ("n", np.resize([0, 0, 1], 60), False),
        ("n", [4], False),
    ],
)
def test_what_numbers_the_loops_of_calls(header, cells, numbers):
    """It stays from row to row and goes on by one: no length, no count of rows, no flag."""
    assert _numbers_loops(*column(header, cells)) == numbers


@pytest.mark.parametrize(
    ("cells", "may"),
    [
        (np.arange(0, 6000, 100), True),
        (np.arange(0, 6000, 100) + np.resize([0, 250], 60), True),
        (np.arange(60), False),
        (np.random.default_rng(1).permutation(60) * 100, False),
        ([*range(0, 5200, 100), *["late"] * 8], False),
    ],
    ids=["rises", "in the order of ends", "counts the rows", "in no order", "words"],
)
def test_what_may_be_the_instants_of_calls(cells, may):
    """Six rows further on it is always later; of 60 cells 54 are numbers, or more."""
    assert _may_time(*column("a", cells)) == may


@pytest.mark.parametrize(
    ("header", "cells", "may"),
    [
        ("took", np.resize([3, 4, 9], 60), True),
        ("ms", np.resize([3, 4, 9], 60), True),
        ("took", np.full(60, 3), False),
        ("took", np.resize([3, -4, 9], 60), False),
        ("latency_ms", np.resize([3, 4, 9], 60), False),
        ("took", [*np.resize([3, 4, 9], 53), *[""] * 7], False),
    ],
)
def test_what_may_be_the_length_of_calls(header, cells, may):
    """It varies, is never below 0 and seldom missing, and its header says nothing else."""
    assert _is_length(*column(header, cells)) == may


@pytest.mark.parametrize(
    ("header", "name", "fewest"),
    [("dur_ms", "fn", 2), ("dur", "fn", 2), ("dur_ms", "krok", 3), ("a_ms", "krok", 3),
     ("a", "fn", 201), (None, "fn", 201)],
)  # fmt: skip
def test_how_many_names_make_up_for_gaps(header, name, fewest):
    """A header of a length and one of a call speak for calls; without a length none do."""
    given = {} if header is None else {"duration": heads((header,))[0]}
    assert _named(heads((name,))[0], given, ("fn", "call")) == fewest


@pytest.mark.parametrize("ratio", [1.0, 1e3, 1e-3, 1e6, 1e-6])
def test_the_unit_of_lengths_beside_a_clock(ratio):
    """Calls fill 100 of 1000; in a unit as they stand where that is 2 % to five times all."""
    at, took = np.linspace(0, 1000, 101), np.ones(100)
    assert _scale(at, took / ratio) == ratio
    assert _scale(at, 0.21 * took) == 1.0
    assert _scale(at, 49.0 * took) == 1.0
    assert _scale(at, 210.0 * took) == 1e-3
    assert _scale(at, 51.0 * took) == 1.0  # in no unit


def roles(header, columns):
    """What the columns of a table are told to be; None where its rows are no calls."""
    sample = tuple(zip(*([str(cell) for cell in cells] for cells in columns), strict=True))
    like = Dialect(",", ".", header, 1, len(header), 2, sample=sample)
    found = call_columns(heads(header), like)
    return None if found is None else {part: head.text for part, head in found.items()}


def test_columns_of_calls_and_what_speaks_against_them():
    """A number of the loop comes with them; two more lengths a row are the parts of a loop.

    Beside dates, lengths that nobody gives a unit may be anything.
    """
    start, end, name = rows(20)
    words = [("imu", "arm", "lift")[k] for k in name]
    took, loop = end - start, np.repeat(np.arange(20), 3)
    given = {"name": "krok", "start": "a", "duration": "b"}
    assert roles(("a", "krok", "b"), (start, words, took)) == given
    assert roles(("a", "krok", "b", "n"), (start, words, took, loop)) == given | {"loop": "n"}
    more = ("b_ms", "c_ms", "d_ms")
    assert roles(("a", "krok", more[0], more[1]), (start, words, took, took / 2)) is not None
    assert roles(("a", "krok", *more), (start, words, took, took / 2, took / 3)) is None
    dates = [f"2026-03-01T10:00:{t / 1e3:09.6f}" for t in start]
    assert roles(("a", "krok", "b_ms"), (dates, words, took)) is not None
    assert roles(("a", "krok", "b"), (dates, words, took)) is None
    assert roles(("a", "b"), (start, took)) is None
    assert roles(("a", "b", "n"), (start, took, loop)) is None
