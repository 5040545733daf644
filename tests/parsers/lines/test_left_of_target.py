"""What is left of a target, and the work that this tells."""

import numpy as np
import pytest

from tests.parsers.build import read, self_ms

TEXT = "{t:.4f},20,{p:.2f},{a:.2f},{b:.2f},{left:.2f}"


def log(header, row=TEXT, left=lambda work, period: 20 - work):
    """300 loops of 20 ms with two parts and 0.4 ms more of work."""
    draw, rows, at = np.random.default_rng(4), [header], 0.0
    for _ in range(300):
        a, b = draw.normal([3.0, 6.0], [0.2, 0.4])
        period = draw.normal(20, 0.02)
        rows.append(row.format(t=at, p=period, a=a, b=b, left=left(a + b + 0.4, period)))
        at += period / 1000
    return "\n".join(rows)


@pytest.mark.parametrize(
    "header",
    ["time,period_target,period_actual,gyro,drive,slack",
     "time_s,budget_ms,period_ms,gyro_ms,drive_ms,headroom_ms",
     "time_s,soll,periode_ms,gyro,antrieb,reserve"],
)  # fmt: skip
def test_the_work_is_the_target_less_what_is_left(tmp_path, header):
    """9.4 ms of work on average, by hand, and no part that is called a margin."""
    run = read(tmp_path, log(header))
    body = run.loop_columns.body_ns
    assert body is not None
    assert np.mean(body) / 1e6 == pytest.approx(9.4, abs=0.06)
    assert sorted(np.mean(ms) for ms in self_ms(run).values()) == pytest.approx([3, 6], abs=0.06)


def test_a_margin_of_the_period_tells_no_work(tmp_path):
    """How far a loop's length is off its target says nothing of the work."""
    text = log("time,target,actual,gyro,drive,slack", left=lambda work, period: 20 - period)
    assert read(tmp_path, text).loop_columns.body_ns is None
