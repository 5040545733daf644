"""Parts at the end of each loop that are as long each time."""

import numpy as np
import pytest

from looptime.analysers.pacing import pacing
from tests.build_run import make_flat_run


def loops(ms=2.5, late=0.004, n=700, seed=1):
    """Reading and steering that scatter, and what comes last."""
    rng = np.random.default_rng(seed)
    reads, steers = rng.lognormal(1.2, 0.12, n), rng.lognormal(0.8, 0.15, n)
    return {"belt": reads, "steering": steers, "tail": ms + rng.exponential(late, n)}


def told(parts, kind="other"):
    """The pace of loops of these parts."""
    ns = {name: (x * 1e6).astype(np.int64) for name, x in parts.items()}
    kinds = {"belt": "sensor read", "steering": "actuator write", "tail": kind}
    return pacing(make_flat_run(sum(ns.values()), ns, kinds))


@pytest.mark.parametrize("seed", range(5))
def test_a_part_of_set_length_at_the_end_may_be_a_sleep(seed):
    """It is named, with what to do, and nothing is said to be no wait."""
    found = told(loops(seed=seed))
    assert found.mode == "can't tell"
    assert "tail takes 2.5 ms at the end of each loop" in found.mode_from
    assert "may be a sleep" in found.mode_from


def test_work_at_the_end_is_none():
    """It scatters as the others do, is short, stands elsewhere, or its name says what it does."""
    rng = np.random.default_rng(3)
    made = loops()
    assert told(made | {"tail": rng.lognormal(0.9, 0.1, 700)}).mode == "free-running"
    assert told(loops(ms=0.2)).mode == "free-running"
    assert told({"tail": made["tail"], "belt": made["belt"]}).mode == "free-running"
    assert told(made, kind="telemetry").mode == "free-running"


def test_an_even_loop_has_no_part_that_stands_out():
    """Where all parts are as even, no one of them is a sleep for that."""
    rng = np.random.default_rng(4)
    even = {name: ms + rng.normal(0, 0.003, 700) for name, ms in (("belt", 4), ("tail", 2.5))}
    assert "may be a sleep" not in told(even).mode_from


@pytest.mark.parametrize(
    ("change", "mode"),
    [
        ({"ms": 1.05}, "can't tell"),
        ({"ms": 0.95}, "free-running"),  # too short for a sleep
        ({"ms": 1.05, "scale": 4.0}, "free-running"),  # of a loop of 24 ms it is a small part
        ({"late": 0.08}, "can't tell"),
        ({"late": 0.2}, "free-running"),  # no longer even
        ({"often_late": 0.3}, "free-running"),
        ({"late": 0.05, "others": 0.08}, "can't tell"),
        ({"late": 0.05, "others": 0.035}, "free-running"),  # too little for it to stand out
    ],
)
def test_how_even_and_long_a_sleep_is(change, mode):
    """Each on either side of what is asked of it."""
    made = loops(change.get("ms", 2.5), change.get("late", 0.004))
    rng = np.random.default_rng(7)
    if "others" in change:
        made |= {k: ms * np.exp(rng.normal(0, change["others"], 700))
                 for k, ms in (("belt", 3.3), ("steering", 2.2))}  # fmt: skip
    made["belt"] = made["belt"] * change.get("scale", 1.0)
    made["steering"] = made["steering"] * change.get("scale", 1.0)
    made["tail"] = made["tail"] + np.where(rng.random(700) < change.get("often_late", 0), 0.4, 0)
    found = told(made)
    assert found.mode == mode
    assert ("may be a sleep" in found.mode_from) is (mode == "can't tell")
