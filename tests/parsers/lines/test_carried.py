"""Values that are written when they change hold on; those that are written now and then do not."""

import numpy as np

from tests.parsers.build import periods_ms, read

STEPS = [11, 12, 12, 11, 13, 12, 12, 12, 11, 11]


def test_a_length_written_on_change_holds_until_the_next(tmp_path):
    """Loops counted one by one, their length rounded to whole ms and left out where it is alike."""
    rng = np.random.default_rng(3)
    steps = rng.choice([11.0, 12.0, 13.0], 400, p=[0.4, 0.5, 0.1])
    rows, at, last = [], 5.0, None
    for k, step in enumerate(steps):
        at += step / 1000
        rows.append(f"{at:.5f},turn,{k}\n")
        if step != last:
            rows.append(f"{at + 0.00004:.5f},loop_ms,{step:.0f}\n")
        last = step
    run = read(tmp_path, "t,entry,value\n" + "".join(rows))
    assert np.allclose(periods_ms(run), steps[1 : len(run) + 1], atol=0.02)
    assert len(run) >= 398
    assert "loop_ms: written on change, so held until the next value" in run.clock.notes


def test_a_phase_written_once_holds_until_the_next(tmp_path):
    """Fifty loops of 50 ms and then of 20 ms, each mode written once, before its first loop."""
    rows, at = [], 0.0
    for k in range(200):
        if k in (0, 50):
            rows.append(f"{at:.4f},mode,{'rest' if k == 0 else 'drive'}\n")
        rows.append(f"{at + 0.0001:.4f},loop,{k}\n{at + 0.003:.4f},aim_ms,{2 + k % 3 / 10}\n")
        at += 0.05 if k < 50 else 0.02
    run = read(tmp_path, "seconds,key,value\n" + "".join(rows))
    phases = run.loops.groupby("phase")["period_ns"]
    assert {name: len(part) for name, part in phases} == {"rest": 50, "drive": 149}
    assert {name: round(part.median() / 1e6) for name, part in phases} == {"rest": 50, "drive": 20}


def test_a_length_taken_every_other_loop_is_none_of_the_others(tmp_path):
    """A part that is written in every second loop took no time in those between."""
    rows = "".join(
        f"{20 * k},loop,{k}\n" + f"{20 * k + 3},imu_ms,{STEPS[k % 10]}\n"
        + (f"{20 * k + 9},arm_ms,{2 + k // 2 % 2}\n" if k % 2 == 0 else "")
        for k in range(200)
    )  # fmt: skip
    run = read(tmp_path, "t_ms,key,value\n" + rows)
    calls = run.calls[run.calls["name"] == "arm"]
    assert 95 <= (calls["duration_ns"] > 0).sum() <= 101
