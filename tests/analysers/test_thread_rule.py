"""What the head of a log says of threads that compute."""

import pytest

from looptime.analysers.thread_rule import SWITCH_MS, compute_share, thread_rule
from tests.build_run import make_run


@pytest.mark.parametrize(
    ("key", "text", "mode"),
    [
        ("runtime", "interpreter with one global lock, threads take turns", "take turns"),
        ("threads", "one at a time", "take turns"),
        ("runtime", "interpreter, threads never run at once", "take turns"),
        ("language", "Python 3.12", "take turns"),
        ("note", "two cores, but threads take turns on the interpreter lock", "take turns"),
        ("runtime", "compiled extension in an interpreter with a global lock", "take turns"),
        ("runtime", "compiled, two cores", "at once"),
        ("runtime", "interpreter without a global lock", "at once"),
        ("language", "Python 3.13t", "at once"),
        ("language", "C++", "at once"),
        ("threads", "run in parallel on four cores", "at once"),
        ("runtime", "interpreter, global lock disabled", "at once"),
        ("runtime", "Python 3.13, gil disabled", "at once"),
        ("interpreter", "python3", "take turns"),
        ("lock", "one lock for the i2c bus", "unknown"),
        ("note", "gyro moved to a thread, drive and arm now sent at once", "unknown"),
        ("note", "all threads compute at once", "at once"),
        ("runtime", "compiled, one core", "unknown"),
        ("bus lock", "fair", "unknown"),
        ("robot", "carrier, rebuilt at once after the fall", "unknown"),
        ("code_version", "python-rewrite", "unknown"),
        ("note", "drive and arm never move at once", "unknown"),
        ("interpreter lock switch interval ms", "5", "unknown"),
    ],
)
def test_words_of_the_head(key, text, mode):
    """What is said of threads counts; words of other matters do not."""
    assert thread_rule({"robot": "carrier", key: text}).mode == mode


@pytest.mark.parametrize(
    ("key", "text", "ms"),
    [
        ("switch interval ms", "5", 5.0), ("switch_interval_us", "500", 0.5),
        ("switch interval", "0.01 s", 10.0), ("switch interval", "20", SWITCH_MS),
        ("switch interval", "as usual", SWITCH_MS), ("switch interval", "0 ms", SWITCH_MS),
        ("bench", "7 ms", SWITCH_MS),
    ],
)  # fmt: skip
def test_the_switch_interval_needs_a_unit(key, text, ms):
    """In the key or after the number; without one the usual interval stays, and is called so."""
    rule = thread_rule({key: text})
    assert rule.switch_ms == pytest.approx(ms)
    assert rule.switch_stated == (ms != SWITCH_MS or text == "5")


def test_the_project_wins():
    """What a team states of just this outweighs free text."""
    rule = thread_rule({"runtime": "compiled"}, "take turns", 2.0)
    assert (rule.mode, rule.switch_ms) == ("take turns", 2.0)


def test_processor_time_outweighs_the_kind():
    """A read that polls computes; a call of no kind tells nothing without processor time."""
    calls = [("a.read", 0, 2), ("b", 2, 3), ("c", 5, 1)]
    names = {"a.read": {"kind": "sensor read"}, "b": {"kind": "other"}, "c": {"kind": "compute"}}
    polled = make_run([8] * 4, calls, names, cpu_share={"a.read": 0.9, "b": 0.1, "c": 1.0})
    assert compute_share(polled) == pytest.approx([0.9, 0.1, 1.0])
    assert compute_share(make_run([8] * 4, calls, names)) == [0.0, None, 1.0]
    idle = [("a.read", 0, 2), ("b", 2, 0)]  # a call without length has no share
    assert compute_share(make_run([8] * 4, idle, cpu_share={"a.read": 0.5})) == [0.5, None]
