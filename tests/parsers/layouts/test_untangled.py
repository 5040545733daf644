"""What is held of several locks, cut so that it lies within the calls and beside the rest."""

import numpy as np
import pytest

from looptime.parsers.layouts.pairing import BEGIN, END, is_nested
from looptime.parsers.layouts.untangled import untangled


def test_a_lock_that_a_call_lets_go_for_its_caller_is_cut_where_the_call_begins():
    """Call 1 holds lock 9 from before call 2 begins until within it."""
    edges = [(1, BEGIN), (9, BEGIN), (2, BEGIN), (9, END), (2, END), (1, END)]
    assert untangled(edges, {9}) == [
        (0, 1, BEGIN), (1, 9, BEGIN), (2, 9, END), (2, 2, BEGIN), (2, 9, BEGIN),
        (3, 9, END), (4, 2, END), (5, 1, END),
    ]  # fmt: skip


def spans(edges, places):
    """How long each name is open, by the place of each edge."""
    open_at, made = {}, {}
    for place, (name, side) in zip(places, edges, strict=True):
        if side == BEGIN:
            open_at[name] = place
        else:
            made[name] = made.get(name, 0) + place - open_at.pop(name)
    return made


@pytest.mark.parametrize("seed", range(30))
def test_whatever_the_order_all_lies_within_each_other_and_lasts_as_long(seed):
    """Calls 1 to 3 nest; locks 7 to 9 are taken and let go at any time between."""
    rng, edges, calls, locks = np.random.default_rng(seed), [], [], set()
    for _ in range(200):
        what = rng.integers(4)
        lock = int(rng.integers(7, 10))
        if what == 0 and len(calls) < 3:
            calls.append(len(calls) + 1)
            edges.append((calls[-1], BEGIN))
        elif what == 1 and calls:
            edges.append((calls.pop(), END))
        elif what > 1:
            edges.append((lock, END if lock in locks else BEGIN))
            locks ^= {lock}
    edges += [(call, END) for call in reversed(calls)] + [(lock, END) for lock in sorted(locks)]
    made = untangled(edges, {7, 8, 9})
    place, name, side = np.array(made).T
    assert (np.diff(place) >= 0).all()
    assert is_nested(side, name)
    cut = spans([(n, s) for _, n, s in made], place.tolist())
    assert cut == spans(edges, range(len(edges)))


def test_what_is_held_beside_a_call_that_lost_its_end_is_still_cut():
    """Call 2 begins within call 1 and never ends; lock 9 goes on until within call 3."""
    edges = [(1, BEGIN), (9, BEGIN), (2, BEGIN), (1, END), (3, BEGIN), (9, END), (3, END)]
    assert untangled(edges, {9}) == [
        (0, 1, BEGIN), (1, 9, BEGIN), (2, 2, BEGIN), (3, 1, END),
        (4, 9, END), (4, 3, BEGIN), (4, 9, BEGIN), (5, 9, END), (6, 3, END),
    ]  # fmt: skip
