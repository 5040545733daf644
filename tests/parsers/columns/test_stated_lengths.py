"""Which columns a unit stated above the rows is of, and where it makes no sense of them."""

import numpy as np
import pytest

from looptime.parsers.columns.stated_lengths import far_too_short, lengths_in, longer_than_loops
from looptime.parsers.text.sniff import sniff

RNG = np.random.default_rng(12)
ROWS = 200
#: A loop paced to 12 ms; lengths of 1, 3.6 and 2 ms.
CLOCK = 12 * np.arange(ROWS) + 5_000
LENGTHS = {name: ms * RNG.lognormal(0, 0.08, ROWS)
           for name, ms in (("gyro", 1.0), ("steer", 3.6), ("lift", 2.0))}  # fmt: skip


def log(**columns):
    columns = {"t": CLOCK, **LENGTHS} | columns
    rows = zip(*columns.values(), strict=True)
    lines = [",".join(f"{value:.3f}" for value in row) for row in rows]
    return sniff("\n".join([",".join(columns), *lines]) + "\n", "a.csv")


def named(like, unit, clock="ms"):
    places = lengths_in(like, range(len(like.header)), unit, {"t": clock})
    return [like.header[at] for at in places]


def test_names_of_parts_and_of_readings_are_lengths_where_values_may_be():
    """A steering is set in each loop; one that glides, or fills more than the loop, is read."""
    assert named(log(), "ms") == ["gyro", "steer", "lift"]
    sways = 40 + 30 * np.sin(np.arange(ROWS) / 20)
    assert named(log(steer=sways), "ms") == ["gyro", "lift"]
    assert named(log(steer=100 * LENGTHS["steer"]), "ms") == ["gyro", "lift"]


@pytest.mark.parametrize(
    "name",
    ["corrente", "Strom", "courant", "current", "Akku", "tension", "temp", "heading", "throttle",
     "pwm", "adc", "light", "range", "load", "speed", "axis", "button"],
)  # fmt: skip
def test_names_of_what_is_surely_read_are_none(name):
    """Whatever would fit into the loop."""
    assert named(log(**{name: RNG.lognormal(0.5, 0.1, ROWS)}), "ms") == ["gyro", "steer", "lift"]


def test_a_small_value_beside_whole_microseconds_is_no_part():
    """1.9 of something would be no 1.9 us beside parts of thousands, printed as whole numbers."""
    whole = {name: np.rint(1000 * ms) for name, ms in LENGTHS.items()}
    like = log(t=1000 * CLOCK, **whole, flow=RNG.normal(1.9, 0.1, ROWS))
    assert named(like, "us", "us") == ["gyro", "steer", "lift"]


def test_lengths_that_are_no_lengths_of_the_loop():
    """Parts of 1 and 3.6 ms called us are next to nothing of 12 ms, and called s far longer."""
    loop = log()
    called = dict.fromkeys(("gyro", "steer"), "us")
    assert far_too_short(loop, called, {"t": "ms"}) == "ms"
    assert far_too_short(loop, dict.fromkeys(called, "ms"), {"t": "ms"}) == ""
    assert longer_than_loops(loop, {"gyro": "s"}, 12e6)
    assert not longer_than_loops(loop, {"gyro": "ms"}, 12e6)
