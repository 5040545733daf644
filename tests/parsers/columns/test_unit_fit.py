"""Units against loops of 20 ms: a wrong one is off by a thousand times."""

import pytest

from looptime.parsers.columns.unit_fit import fit_of, loop_ns, means_of
from looptime.parsers.text.sniff import sniff

ROWS = "".join(f"{k * 20.0},{4000 + k * 37 % 90},{60 + k % 7},{900 + 20 * k}\n" for k in range(60))
LIKE = sniff("t,lift,latency,since\n" + ROWS, "cart.csv")


@pytest.mark.parametrize(
    ("at", "unit", "fit"),
    [
        (0, "ms", "fits"),
        (0, "us", "another"),  # 50,000 loops a second
        (0, "s", "none"),
        (1, "us", "fits"),
        (1, "ns", "another"),
        (1, "s", "none"),
        (2, "s", "fits"),  # an age may be as long as it likes
        (3, "s", "fits"),  # it goes on, as a clock does
    ],
)
def test_a_unit_is_held_against_the_loop(at, unit, fit):
    """4 ms of lift in us, beside a clock in ms."""
    assert fit_of(LIKE, at, unit, 2e7) == fit


def test_without_a_loop_no_length_is_told():
    """Nor is a loop without a clock."""
    assert fit_of(LIKE, 1, "us", None) == "unknown"
    assert loop_ns(sniff("lift,tray\n" + "4,5\n" * 30, "cart.csv"), {}) is None


@pytest.mark.parametrize("named", [{}, {"t": "ms"}, {"t": "s"}])
def test_a_loop_is_as_long_as_one_can_be(named):
    """By size where no unit is said, or one in which it lasts for hours."""
    assert loop_ns(LIKE, named) == pytest.approx(2e7)


def test_a_time_that_stays_about_one_level_is_the_period():
    """``T`` of every loop, 20 ms and now and then 60: what goes on is the number of the loop."""
    rows = "".join(f"{k},{0.02 + k * 37 % 90 / 1e6 + 0.04 * (k % 50 == 7):.5f},{3 + k % 4}\n"
                   for k in range(90))  # fmt: skip
    like = sniff("k,T,lift\n" + rows, "cart.csv")
    assert means_of(like, 1) == "period"
    assert loop_ns(like, {"T": "s"}) == loop_ns(like, {}) == pytest.approx(2e7, rel=0.01)
    assert fit_of(like, 2, "ms", loop_ns(like, {})) == "fits"


def test_a_clock_out_of_order_is_one_all_the_same():
    """Stamps of two threads, of which each goes on: as many steps fall as rise."""
    rows = "".join(f"{90_000 + 20 * k + 900 * (k % 2)},4\n" for k in range(90))
    assert means_of(sniff("t,lift\n" + rows, "cart.csv"), 0) == "clock"
