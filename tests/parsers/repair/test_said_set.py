"""A clock that was set, as a line of the log or a second clock in it says."""

import numpy as np
import pytest

from looptime.questions.asked import Asked


def asked(tmp_path, text):
    path = tmp_path / "log.txt"
    path.write_text(text)
    return Asked(cache=False).read(str(path)).runs[0]


def with_own_length(ahead_ms, own_ms):
    """600 loops of 20 ms; one step of the clock is longer, and what its own row says of it."""
    draw = np.random.default_rng(7)
    step = 20 + draw.normal(0, 0.05, 600)
    own = step.copy()
    step[300] += ahead_ms
    own[300] = own_ms(own[300], step[300])
    at = np.cumsum(np.concatenate([[5000.0], step]))
    rows = [f"{at[k + 1]:.3f},{own[k]:.3f},{8 + k % 3}" for k in range(600)]
    return "time_ms,dt_ms,work_ms\n" + "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    ("own_ms", "undone"),
    [
        (lambda own, step: own, True),  # measured by a clock that nobody set
        (lambda own, step: step, False),  # a stall, by both clocks
        (lambda own, step: 100.0, False),  # a stall, cut to the longest that the code allows
    ],
)
def test_a_loop_that_was_as_long_as_ever_by_its_own_length(tmp_path, own_ms, undone):
    run = asked(tmp_path, with_own_length(2500.0, own_ms))
    assert bool(run.loop_columns.period_ns.max() < 21e6) is undone
    assert len(run.clock.jumps) == undone
    if undone:
        assert run.clock.jumps[0]["size_ns"] == pytest.approx(2520e6, abs=0.3e6)
        assert any(limit.startswith("without the 2.5 s by which") for limit in run.clock.limits)


@pytest.mark.parametrize(
    ("line", "undone"),
    [
        ("# time sync: clock set forward by 2.7 s", True),
        ("# Uhrzeit gestellt", True),
        ("# operator took the set of trays away", False),
        ("", False),
    ],
)
def test_a_line_that_says_that_the_clock_was_set(tmp_path, line, undone):
    """Calls without a wait: what the clock goes on by alone would tell nothing."""
    rows, draw, t = ["name,start_us,end_us"], np.random.default_rng(5), 0
    for k in range(300):
        if k == 150:
            rows += [line] * bool(line)
            t += 2_700_000
        for name, usual in (("imu", 5000), ("wheels", 7000)):
            took = usual + int(draw.integers(0, 300))
            rows.append(f"{name},{t},{t + took}")
            t += took + 20
    run = asked(tmp_path, "\n".join(rows) + "\n")
    assert bool(run.loop_columns.period_ns.max() < 13e6) is undone
    assert bool(run.clock.jumps) is undone
    assert any("a stall, or the clock was set" in note for note in run.clock.notes) is not undone
