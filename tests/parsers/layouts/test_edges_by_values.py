"""Rows that may be begins and ends of calls, told from instants, names and words: by hand."""

import numpy as np
import pytest

from looptime.parsers.columns.headers import heads
from looptime.parsers.layouts.edges_by_values import (
    _by_turns,
    _sides,
    _unmatched,
    begins_first,
    edge_columns,
)
from looptime.parsers.text.dialect import Dialect

#: A round of 20 ms: a loop around two calls, the second behind the first; instant, name, side.
ROUND = [(0, 0, 0), (1, 1, 0), (8, 1, 1), (9, 2, 0), (17, 2, 1), (18, 0, 1)]
#: Two calls far apart, neither within anything.
APART = [(0, 1, 0), (1, 1, 1), (10, 2, 0), (11, 2, 1)]


def rows(count=12, each=ROUND):
    """Instant [ms], name and side of the edges."""
    made = np.array([(20 * k + t, name, side) for k in range(count) for t, name, side in each])
    return made[:, 0].astype(float), made[:, 1], made[:, 2]


def lost(at, name, side, thread=None, sure=True):
    """Share of the edges without their other one; None for none of calls."""
    return _unmatched(at, side, name, thread, sure)


@pytest.mark.parametrize("sure", [True, False])
def test_edges_that_lie_within_each_other_are_those_of_calls(sure):
    """None is lost, whichever word is begin where nobody knows; the wrong way about most are."""
    at, name, side = rows()
    assert lost(at, name, side, sure=sure) == 0.0
    assert lost(at, name, 1 - side, sure=False) == 0.0
    assert lost(at, name, 1 - side, sure=True) is None


@pytest.mark.parametrize(("gone", "share"), [(1, 1 / 71), (3, 3 / 69), (4, None)])
def test_a_twentieth_of_the_edges_may_have_lost_their_other_one(gone, share):
    """Of 72 edges ends of the first call are missing."""
    at, name, side = rows()
    kept = np.setdiff1d(np.arange(72), 2 + 6 * np.arange(gone))
    found = lost(at[kept], name[kept], side[kept])
    assert (found is None) if share is None else (found == pytest.approx(share))


def test_thirty_edges_of_two_names_are_the_fewest():
    """Five rounds of six; of one name alone, or of no instants, nothing is told."""
    at, name, side = rows(5)
    assert lost(at, name, side) == 0.0
    assert lost(at[:29], name[:29], side[:29]) is None
    one = name == 1
    at, name, side = rows(40)
    one = name == 1
    assert lost(at[one], name[one], side[one]) is None
    assert lost(np.full(len(at), np.nan), name, side) is None


def test_rows_without_side_name_or_thread_are_passed_over():
    """A word that is neither, an empty name, and an empty thread."""
    at, name, side = rows()
    more = np.append(at, [500.0, 501.0, 502.0]), np.append(name, [1, -1, 1])
    sides, thread = np.append(side, [-1, 0, 0]), np.append(np.zeros(72, np.int64), [0, 0, -1])
    assert lost(*more, sides, thread) == 0.0


def test_calls_fill_the_time_or_hold_each_other():
    """Two calls of 1 ms that open and close by themselves, 10 ms apart, may be anything."""
    assert lost(*rows(12, APART)) is None
    held = [(0, 0, 0), (1, 1, 0), (2, 1, 1), (10, 2, 0), (11, 2, 1), (18, 0, 1)]
    assert lost(*rows(12, held)) == 0.0  # two of three lie within another


def test_the_busiest_thread_is_looked_at():
    """A contact on a thread of its own opens for 1 ms in each third round, and closes."""
    at, name, side = rows(30)
    more = [(60 * k + 5 + t, 3, s) for k in range(10) for t, s in ((0, 0), (40, 1))]
    at, name, side = (np.append(a, b) for a, b in zip((at, name, side), zip(*more, strict=True),
                                                      strict=True))  # fmt: skip
    thread = np.repeat([0, 1], [180, 20])
    order = np.argsort(at, kind="stable")
    assert lost(at[order], name[order], side[order], thread[order]) == 0.0


def test_names_that_begin_with_unlike_words_count_against_it():
    """A twentieth of the share of names whose first edge is an end."""
    at, name, side = rows()
    kept = np.arange(72) != 1  # the first begin of name 1
    assert lost(at[kept], name[kept], side[kept]) == pytest.approx(1 / 71 + 0.05 / 3)


def test_words_that_take_turns_for_each_name():
    """On each thread; nine in ten will do, and a name that is met but once tells nothing."""
    _, name, side = rows()
    assert _by_turns(side, name, None)
    twice = np.repeat(side, 2), np.repeat(name, 2)
    assert not _by_turns(*twice, None)
    assert _by_turns(*twice, np.resize([0, 1], 144))
    assert not _by_turns(np.array([0, 1]), np.array([1, 2]), None)
    for flipped, told in ((0, True), (1, True), (4, False)):
        other = side.copy()
        other[2 : 2 + 6 * flipped : 6] = 0
        assert _by_turns(other, name, None) == told


def test_where_both_ways_pair_alike_what_is_first_is_begin():
    """A call made again and again, and then another: twelve pairs, or ten the other way about.

    Of three calls one may have begun before the log did.
    """
    side, name = np.tile([0, 1], 12), np.repeat([1, 2], 12)
    assert begins_first(side, name)
    assert not begins_first(1 - side, name)
    more = np.append([1], np.tile([0, 1], 6))
    assert begins_first(np.append(side, more), np.append(name, np.full(13, 3)))


def column(cells):
    """A column of a table, and how that is written."""
    like = Dialect(",", ".", ("a",), 1, 1, 2, sample=tuple((str(cell),) for cell in cells))
    return like, heads(("a",))[0]


@pytest.mark.parametrize(
    ("cells", "sides"),
    [
        (["auf", "zu"] * 20, [0, 1] * 20),
        (["auf", "zu"] * 19 + ["?", "?"], [0, 1] * 19 + [-1, -1]),
        (["auf", "zu"] * 18 + ["?"] * 4, None),
        (["auf"] * 20 + ["zu"] * 16, [0] * 20 + [1] * 16),
        (["auf"] * 20 + ["zu"] * 15, None),
        (["auf"] * 40, None),
        (["1.0", "2.0"] * 20, None),
        (["1", "2"] * 20, [0, 1] * 20),
    ],
)
def test_two_words_that_are_met_as_often(cells, sides):
    """19 of 20 rows hold one of the two, each four fifths as often as the other, no decimals."""
    found = _sides(*column(cells), {})
    assert (found is None) if sides is None else (found.tolist() == sides)


def test_words_that_are_known_are_taken_as_they_are():
    """However seldom they are, and in capitals."""
    assert _sides(*column(["Begin", "end", "x", "x", "x"]), {"begin": 0, "end": 1}).tolist() == [
        0, 1, -1, -1, -1,
    ]  # fmt: skip


def test_columns_of_edges_and_what_speaks_against_them():
    """Without a clock, beside a length, or of too few rows nothing is told."""
    at, name, side = rows()
    words = [["loop", "imu", "arm"][k] for k in name]
    both = [["auf", "zu"][k] for k in side]

    def told(header, *columns):
        sample = tuple(zip(*([str(c) for c in cells] for cells in columns), strict=True))
        like = Dialect(",", ".", header, 1, len(header), 2, sample=sample)
        found = edge_columns(heads(header), like, None, {})
        return None if found is None else {part: head.text for part, head in found.items()}

    given = {"time": "t_ms", "name": "was", "edge": "tor"}
    assert told(("t_ms", "was", "tor"), at, words, both) == given
    assert told(("t_ms", "was", "tor", "took"), at, words, both, at) is None
    assert told(("nr", "was", "tor"), np.arange(72), words, both) is None
    assert told(("t_ms", "was", "tor"), at[:24], words[:24], both[:24]) is None


def test_of_columns_that_fit_as_well_a_header_tells_the_names():
    """One group and one name each row, begun and ended alike: the header `call` decides."""
    at, name, side = rows()
    words = [["loop", "imu", "arm"][k] for k in name]
    cells = zip(at, [w + " group" for w in words], words, [["B", "E"][k] for k in side],
                strict=True)  # fmt: skip
    like = Dialect(",", ".", ("t_ms", "group", "call", "tor"), 1, 4, 2,
                   sample=tuple(tuple(map(str, row)) for row in cells))  # fmt: skip
    for called, chosen in ((("call",), "call"), ((), "group")):
        found = edge_columns(heads(like.header), like, None, {}, called)
        assert found["name"].text == chosen
