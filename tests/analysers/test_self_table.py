"""The table of self times says what adding up the pieces one by one says."""

import numpy as np
import pytest

from looptime.analysers import self_table
from looptime.analysers.self_table import SelfTable
from looptime.run import SelfPieces
from tests.build_run import make_run


def pieces_of(loops, names, calls, longest_ns, seed):
    """Calls of random names in every loop, some loops with none, the last pieces out of order."""
    rng = np.random.default_rng(seed)
    loop = np.sort(rng.integers(0, loops, calls)).astype(np.int32)
    late = max(calls // 20, 1)
    loop[-late:] = rng.integers(0, loops, late)
    name = rng.integers(0, names, calls).astype(np.int16)
    return SelfPieces(np.arange(calls), loop, name, rng.integers(-5, longest_ns, calls))


def by_hand(pieces, loops, names):
    """Python integers, added one by one."""
    made = [[0] * names for _ in range(loops)]
    for loop, name, own in zip(pieces.loop, pieces.name, pieces.self_ns, strict=True):
        made[loop][name] += int(own)
    return np.array(made, dtype=float)


@pytest.mark.parametrize("longest_ns", [10**6, 10**11])
@pytest.mark.parametrize("kept", [True, False])
def test_all_sums_are_those_of_the_pieces(monkeypatch, kept, longest_ns):
    """Kept in 32 bits, kept in full because a cell is too large for that, and made anew."""
    monkeypatch.setattr(self_table, "_BLOCK", 64)
    monkeypatch.setattr(self_table, "_CELLS_A_PIECE", 10 if kept else -1)
    pieces = pieces_of(300, 7, 1500, longest_ns, 1)
    table = SelfTable(pieces, 300, 7)
    expected = by_hand(pieces, 300, 7)
    assert (table.by_loop() == expected.sum(axis=1)).all()
    assert (table.by_loop([1, 0, 0, 1, 0, 0, 0]) == expected[:, [0, 3]].sum(axis=1)).all()
    assert all((table.series(k) == expected[:, k]).all() for k in range(7))
    assert (table.sums == expected.sum(axis=0)).all()
    weights = np.stack([np.arange(300) % 3 == 0, np.arange(300)])
    assert (table.weighted(weights) == weights.astype(float) @ expected).all()
    assert (table._kept is not None) == kept


@pytest.mark.parametrize("every", [1, 2, 9, 1000])
@pytest.mark.parametrize("kept", [True, False])
def test_sums_over_some_loops_are_those_of_their_rows(monkeypatch, kept, every):
    """All loops, half of them, a few and a single one, and in turn all the others."""
    monkeypatch.setattr(self_table, "_CELLS_A_PIECE", 10 if kept else -1)
    monkeypatch.setattr(self_table, "_BLOCK", 64)
    table = SelfTable(pieces_of(300, 7, 1500, 10**11, 3), 300, 7)
    expected = by_hand(pieces_of(300, 7, 1500, 10**11, 3), 300, 7)
    some = np.arange(300) % every == 0
    for loops in (some, ~some):
        assert (table.over(loops) == expected[loops].sum(axis=0)).all()


def test_pieces_of_some_loops():
    """In the order asked for, with each loop's pieces together; loops without pieces are left."""
    pieces = pieces_of(50, 4, 200, 1000, 2)
    table = SelfTable(pieces, 50, 4)
    wanted = np.array([0, 7, 8, 30, 49])
    place, name, own = table.pieces_in(wanted)
    made = np.zeros((5, 4))
    np.add.at(made, (place, name), own)
    assert (made == by_hand(pieces, 50, 4)[wanted]).all()
    assert (np.diff(place) >= 0).all()
    assert len(place) == np.isin(pieces.loop, wanted).sum()


def test_a_call_that_reaches_into_the_next_loop_is_split():
    """8 ms from 6 ms on in loops of 10 ms: 4 ms here and 4 ms there."""
    run = make_run([10, 10], lambda k: [("send", 6, 8)] if k == 0 else [])
    table = SelfTable(run.self_pieces(), 2, 1)
    assert table.series(0).tolist() == [4e6, 4e6]


def test_no_loops_and_no_names():
    """Empty runs have empty sums."""
    nothing = SelfPieces(*(np.zeros(0, np.int64) for _ in range(4)))
    assert SelfTable(nothing, 0, 3).sums.tolist() == [0, 0, 0]
    assert SelfTable(nothing, 4, 0).by_loop().tolist() == [0, 0, 0, 0]
