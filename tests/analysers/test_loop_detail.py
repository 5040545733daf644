"""One loop beside a typical one; frames of a video."""

import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.loop_detail import loop_detail, parse_sync
from looptime.errors import UsageError
from tests.build_run import make_run


@pytest.fixture
def run():
    """Twenty loops of 10 ms of which the eighth takes 18 ms, for a read of 9 ms."""
    return make_run(
        [10] * 7 + [18] + [10] * 12,
        lambda k: [("gyro.read", 1, 9 if k == 7 else 1), ("update", 10, 0)],
        {"gyro.read": "sensor read"},
    )


def test_what_the_loop_took(run):
    """The read took 9 ms instead of 1; the rows add up to the period."""
    found = loop_detail(prepare(run), 7)
    assert (found.period_ms, found.typical_ms) == (18, 10)
    first = found.rows[0]
    assert (first.name, first.self_ms, first.typical_ms, first.excess_ms) == ("gyro.read", 9, 1, 8)
    assert sum(r.self_ms for r in found.rows) == pytest.approx(18, abs=1e-9)
    assert found.before_ms == (10, 10, 10)
    assert found.time_s == pytest.approx(0.07)


def test_no_such_loop(run):
    """The message says which loops there are."""
    with pytest.raises(UsageError, match="from 0 to 19"):
        loop_detail(prepare(run), 99)


def test_frames(run):
    """Loop 2 starts at 20 ms in frame 100; 0.1 s later a camera of 240 has made 24 frames."""
    sync = parse_sync("2=100", 240, run)
    assert sync.frame_at(0.02) == 100
    assert sync.frame_at(0.12) == 124
    for bad in ("2", "a=b", "2=", "=3"):
        with pytest.raises(UsageError, match="LOOP=FRAME"):
            parse_sync(bad, 240, run)
    with pytest.raises(UsageError, match="frames a second"):
        parse_sync("2=100", 0, run)
