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
