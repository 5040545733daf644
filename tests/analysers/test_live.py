"""Figures of a run that is still recorded, by hand and against the whole run."""

import numpy as np
import pytest

from looptime.analysers.live import Tally, broken_limits
from tests.build_run import make_run


def test_pieces_add_up_to_the_run() -> None:
    """Quantiles, rate and overruns of three pieces are those of all loops; now is the last 10 s."""
    rng = np.random.default_rng(5)
    pieces = [rng.uniform(9, 12, 700), rng.uniform(9, 12, 700), rng.uniform(18, 22, 600)]
    tally = Tally(20.0)
    for piece in pieces:
        tally.add(make_run(piece))
    ms = np.round(np.concatenate(pieces) * 1e6) / 1e6
    at = tally.live()
    assert at.loops == 2000
    assert at.p99_ms["run"] == pytest.approx(np.sort(ms)[1979])
    assert at.rate_hz["run"] == pytest.approx(2000 / ms.sum() * 1e3)
    assert at.over == int((ms > 20).sum())
    assert at.p50_ms["now"] == pytest.approx(20.0, abs=0.3)
    assert at.seconds == pytest.approx(ms.sum() / 1e3)


def test_the_cause_is_the_call_that_took_longer() -> None:
    """One read in 100 takes 15 ms more; one loop is long where no call is."""

    def calls(k: int) -> list[tuple[str, float, float]]:
        return [
            ("gyro.read", 0.5, 17.0 if k == 60 else 2.0),
            ("log.write", 20.0 if k == 60 else 5.0, 1),
        ]

    period = np.full(120, 10.0)
    period[60], period[90] = 25.0, 30.0
    tally = Tally(20.0)
    tally.add(make_run(period, calls))
    at = tally.live()
    assert [(one.loop, one.cause) for one in at.long] == [
        (60, "gyro.read"), (90, "outside every call"),
    ]  # fmt: skip


def test_the_last_minute_holds_what_began_in_it() -> None:
    """Loops of 1 s in pieces of 25: of 75 the last 59 count, exactly, and their calls add up."""

    def calls(k: int) -> list[tuple[str, float, float]]:
        return [("gyro.read", 100, 200), ("log.write", 400, 50 if k % 2 else 150)]

    tally = Tally(1000.5)
    for _ in range(3):
        tally.add(make_run([1000.0] * 24 + [1001.0], calls, {"gyro.read": "sensor read"}))
    # 75 loops last 75.003 s: the 16th began 60.003 s ago, so that the last 59 are left
    at = tally.minute()
    assert len(at.period_ms) == 59
    assert at.ago_s[0] == pytest.approx(59.003)
    assert at.ago_s[-1] == pytest.approx(1.001)
    assert at.over == 3
    assert [(c.name, c.kind) for c in at.calls] == [
        ("unattributed", "unattributed"), ("gyro.read", "sensor read"), ("log.write", "other"),
    ]  # fmt: skip
    assert sum(c.share for c in at.calls) == pytest.approx(1.0, abs=1e-12)
    gyro, write = at.calls[1:]
    assert gyro.self_ms_per_loop == gyro.run_ms_per_loop == gyro.p99_ms == pytest.approx(200.0)
    assert gyro.share == pytest.approx(59 * 200 / 59_003)
    assert write.p99_ms == pytest.approx(150.0)
    assert write.run_ms_per_loop == pytest.approx((39 * 150 + 36 * 50) / 75)


def test_a_log_without_calls_has_a_minute_without_calls() -> None:
    """Its loops are there; before the first loop there is nothing."""
    tally = Tally()
    assert len(tally.minute().loop) == 0
    tally.add(make_run([20.0] * 50))
    at = tally.minute()
    assert len(at.loop) == 50
    assert at.calls == ()
    assert at.over == 0


def test_limits_are_held_against_what_was_seen() -> None:
    """A p99 of 12 ms breaks 11 and not 13; overruns by share."""
    tally = Tally(11.0)
    tally.add(make_run([10.0] * 97 + [12.0] * 3))
    at = tally.live()
    assert broken_limits(at, {"period_p99_ms": 11.0, "overrun_share": 0.05}) == ("period_p99_ms",)
    assert broken_limits(at, {"period_p99_ms": 13.0, "overrun_share": 0.02}) == ("overrun_share",)
    assert broken_limits(at, {"work_p99_ms": 1.0, "call": {}}) == ()


def test_many_calls_that_each_took_a_little_longer_are_no_cause() -> None:
    """Five calls took 3 ms more each: none of them holds three tenths of the 15 ms."""

    def calls(k: int) -> list[tuple[str, float, float]]:
        each = 4.0 if k == 60 else 1.0
        return [(f"read.{i}", 4.0 * i, each) for i in range(5)]

    period = np.full(120, 20.0)
    period[60] = 35.0
    tally = Tally(25.0)
    tally.add(make_run(period, calls))
    assert [(one.loop, one.cause) for one in tally.live().long] == [(60, "")]
