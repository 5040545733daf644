"""The runs that tests are built on are themselves right."""

import numpy as np

from tests.build_run import make_flat_run, make_run


def test_books_balance_with_a_call_across_a_boundary():
    """A call that runs on into the next loop is one row whose self time is split."""
    run = make_run([10, 10], lambda k: [("outer", 8, 6), ("inner", 9, 2)] if k == 0 else [])
    assert run.call_columns.self_ns.tolist() == [4_000_000, 2_000_000]
    pieces = run.self_pieces()
    by_loop = np.bincount(pieces.loop, weights=pieces.self_ns)
    # outer owns 8..9 and 11..14, inner 9..11: loop 0 holds 1 + 1, loop 1 holds 1 + 3
    assert by_loop.tolist() == [2_000_000, 4_000_000]
    assert run.unattributed_ns().tolist() == [8_000_000, 6_000_000]


def test_flat_run_equals_the_plain_one():
    """The fast builder and the plain one agree."""
    flat = make_flat_run(
        np.array([5_000_000, 6_000_000]),
        {"a": np.array([1_000_000, 2_000_000]), "b": np.array([-1, 500_000])},
    )
    plain = make_run([5, 6], lambda k: [("a", 0, 1)] if k == 0 else [("a", 0, 2), ("b", 2, 0.5)])
    for column in ("loop", "name", "start_ns", "duration_ns", "self_ns", "depth"):
        left, right = getattr(flat.call_columns, column), getattr(plain.call_columns, column)
        assert left.tolist() == right.tolist()
