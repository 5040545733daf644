"""What each change does to the calls of a loop, by hand."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import looptime
from looptime.errors import UsageError
from looptime.planner.changes import parse_all
from looptime.planner.play.draft import Draft, Setting, known
from looptime.planner.play.remedies import _one_in, _typical_now
from looptime.planner.play.replay import play, replay
from looptime.project import Bus
from tests.build_run import make_run
from tests.planner.play.build import LABELS, balance, mean_ms, plain


def test_drop_scale_cap_by_hand():
    """Each takes off exactly what it says."""
    run = plain()
    assert mean_ms(replay(run, ["drop enc.a"])) == 7
    assert mean_ms(replay(run, ["scale gyro.read by=0.25"])) == 6.5
    assert mean_ms(replay(run, ["cap gyro.read ms=0.5"])) == 6.5
    assert mean_ms(replay(run, ["drop enc.*", "drop gyro.read"])) == 4


def test_order_counts():
    """A cap before a scaling is not a cap after it."""
    run = plain()
    assert mean_ms(replay(run, ["cap gyro.read ms=1", "scale gyro.read by=3"])) == 9
    assert mean_ms(replay(run, ["scale gyro.read by=3", "cap gyro.read ms=1"])) == 7


@given(st.lists(st.floats(0.1, 3), min_size=1, max_size=6), st.integers(1, 10**7))
def test_scale_factors_compose(factors, took):
    """Several factors are one product, rounded once."""
    run = make_run([20] * 2, [("a", 0, took / 1e6)])
    predicted = replay(run, [f"scale a by={f!r}" for f in factors])
    product = float(took)
    for factor in factors:
        product *= factor
    assert predicted.call_columns.duration_ns.tolist() == [round(product)] * 2


def test_a_scaled_call_takes_its_parts_along():
    """What a call encloses is scaled with it; what encloses it shrinks by as much."""
    run = make_run([10], [("outer", 0, 8), ("inner", 1, 6), ("deep", 2, 2)])
    predicted = replay(run, ["scale inner by=0.5"])
    assert predicted.calls["duration_ns"].tolist() == [5_000_000, 3_000_000, 1_000_000]
    assert predicted.calls["self_ns"].tolist() == [2_000_000, 2_000_000, 1_000_000]
    assert mean_ms(predicted) == 7


def test_every_k_loops_is_staggered():
    """Two calls that are thinned out take turns, unless they are to go together."""
    run = plain()
    loops = replay(run, ["every enc.* loops=2"]).loop_columns.period_ns / 1e6
    assert set(loops.tolist()) == {7.0}
    loops = replay(run, ["every enc.* loops=2 together"]).loop_columns.period_ns / 1e6
    assert loops[:4].tolist() == [8, 6, 8, 6]


def test_a_batch_by_hand():
    """Base 0.6 ms and 0.4 ms an item: two reads in one transaction take 1.4 ms, not 2 and not 1."""
    predicted = replay(plain(), ["batch enc.*"], buses={"port": Bus(0.6, 0.4)})
    assert mean_ms(predicted) == pytest.approx(8 - 2 + 1.4)
    names = {n.name: n for n in predicted.names}
    assert names["batch enc.*"].items == 2
    assert len(predicted.calls) == 40 * 3
    balance(predicted)


def test_a_batch_says_where_log_and_project_file_are_unlike():
    """Reads of 1 ms that are said to take 0.5 ms: the batch keeps the rest, and says so."""
    at = play(known(plain(), {"port": Bus(0.3, 0.2)}), parse_all(["batch enc.*"]))
    assert mean_ms(at.run) == pytest.approx(8 - 2 + 1 + 0.2)
    assert any("2 ms in the log and 1 ms by base_ms" in text for text in at.warnings)
    told = ["batch enc.* base-ms=0.3 per-item-ms=0.2"]
    at = play(known(plain(), {"port": Bus(0.3, 0.2)}), parse_all(told))
    assert mean_ms(at.run) == pytest.approx(8 - 2 + 0.3 + 2 * 0.2)
    assert not any("in the log and" in text for text in at.warnings)


def test_a_batch_learns_its_cost_from_two_sizes():
    """A log that holds reads of one and of four items says what an item costs."""
    calls = [("enc.a", 0, 1), ("enc.b", 1, 1), ("board.read", 2, 1.6)]
    run = plain(calls=calls, **{"board.read": {"kind": "sensor read", "bus": "port", "items": 4}})
    assert mean_ms(replay(run, ["batch enc.*"])) == pytest.approx(8 - 2 + 1.2)


def test_a_batch_of_unknown_cost_is_a_range():
    """At least one transaction, at most two thirds of the sum; never the sum over n."""
    run = plain()
    low = replay(run, ["batch enc.*"], setting=Setting(batch=0))
    high = replay(run, ["batch enc.*"], setting=Setting(batch=1))
    assert mean_ms(low) == pytest.approx(8 - 2 + 1)
    assert mean_ms(high) == pytest.approx(8 - 2 + 2 / 1.5)


def test_batches_refuse_what_they_cannot():
    """Across buses, of one call, of calls that cannot be batched."""
    run = plain(**{"enc.b": {"kind": "sensor read", "bus": "aux"}})
    with pytest.raises(UsageError, match="cannot reach across buses"):
        replay(run, ["batch enc.*"])
    with pytest.raises(UsageError, match="at least two calls"):
        replay(plain(), ["batch gyro.read"])
    fixed = plain(**{"enc.b": {"kind": "sensor read", "bus": "port", "batchable": False}})
    with pytest.raises(UsageError, match="at least two calls"):
        replay(fixed, ["batch enc.*"])


def test_a_call_of_another_thread_is_not_the_loops():
    """A change that only the loop can make to it is refused, in one line."""
    run = make_run([10.0] * 5, [("work", 0, 1), ("gyro.read", 0, 2, "reader")], LABELS)
    with pytest.raises(UsageError, match="called by another thread"):
        replay(run, ["every gyro.read loops=2"])


def test_on_change_takes_its_share():
    """About the stated share of the writes falls away."""
    run = plain(2000)
    predicted = replay(run, ["on-change motor.set share=0.7"])
    assert mean_ms(predicted) == pytest.approx(8 - 0.7, abs=0.03)
    (said,) = play(known(run), parse_all(["on-change motor.set share=0.7"])).warnings
    assert "70 % of the calls are left out, 30 % are still made" in said


def test_later_costs_nothing_and_makes_younger():
    """The read moves to just before the write; no loop gets longer or shorter."""
    run = plain()
    predicted = replay(run, ["later gyro.read before=motor.set"])
    assert np.array_equal(predicted.loop_columns.period_ns, run.loop_columns.period_ns)
    calls = predicted.calls
    gyro = calls[calls["name"] == "gyro.read"]["start_ns"].to_numpy()
    motor = calls[calls["name"] == "motor.set"]["start_ns"].to_numpy()
    assert np.array_equal(gyro + 2_000_000, motor)
    balance(predicted)
    with pytest.raises(UsageError, match="nothing to move later"):
        replay(run, ["later motor.set before=gyro.read"])


@pytest.mark.parametrize(
    ("loops", "k", "offset", "kept"),
    [
        ([0, 1, 2, 3, 4, 5], 2, 0, [0, 2, 4]),
        ([0, 1, 2, 3, 4, 5], 3, 1, [1, 4]),
        ([0, 1, 2, 4, 5, 6, 8], 2, 0, [0, 2, 4, 6, 8]),
        ([0, 0, 1, 1, 3, 3, 4], 3, 0, [0, 0, 3, 3]),
    ],
)
def test_one_loop_in_so_many(loops, k, offset, kept):
    """By hand, also for a call that some loops leave out or that others make twice."""
    at = np.array(loops)
    assert at[_one_in(at, k, offset)].tolist() == kept


@pytest.mark.parametrize(("bus", "unlike"), [((0.2, 0.8), False), ((2.0, 1.0), True),
                                             ((0.1, 0.1), True)])  # fmt: skip
def test_a_bus_that_costs_otherwise_than_stated_is_named(bus, unlike):
    """Two reads of 1 ms each: a bus stated as dearer is as unlike as one stated as cheaper."""
    played = play(known(plain(), {"port": Bus(*bus, "fair")}), parse_all(["batch enc.*"]))
    assert any("read singly, these take 2 ms in the log" in w for w in played.warnings) is unlike


def test_a_call_on_a_bus_that_costs_half_takes_half_as_long():
    """2 ms a transaction on one bus, 1 ms on the other: a read of 1 ms then takes half of it."""
    buses = {"port": Bus(2.0, 0.0, "fair"), "aux": Bus(1.0, 0.0, "fair")}
    moved = play(known(plain(), buses), parse_all(["move enc.a bus=aux"])).run
    took = moved.calls[moved.calls.name == "enc.a"].duration_ns
    assert took.tolist() == [500_000] * 40


def test_a_read_that_is_alone_in_its_loop_is_no_batch():
    """Reads of 1 and 2 ms make a batch of 2 ms; the one that is alone in odd loops stays 1 ms."""
    run = make_run([8.0] * 40, lambda k: [("enc.a", 2, 1), ("enc.b", 3, 2)][: 2 - k % 2], LABELS)
    made = play(known(run, {"port": Bus(0.5, 0.5, "fair")}), parse_all(["batch enc.*"])).run
    took = made.calls[made.calls.name == "batch enc.*"].duration_ns
    assert took.tolist() == [2_000_000, 1_000_000] * 20  # 1 ms and half a ms a reading


def test_calls_that_a_rounding_lets_overlap_stand_beside_each_other(tmp_path):
    """Lengths rounded up to a tenth of a us reach into the next read: a batch takes all of them."""
    rows, at = ["loop,name,start_us,duration_us"], 0.0
    for k in range(300):
        for wheel in ("left", "right", "rear"):
            rows.append(f"{k},encoder.{wheel}.read,{at:.1f},{250.1 if k % 7 else 250.0:.1f}")
            at += 250.0
        rows.append(f"{k},drive.write,{at:.1f},400.0")
        at += 900.0
    log = tmp_path / "run.csv"
    log.write_text("\n".join(rows) + "\n", encoding="utf-8")
    run = looptime.read(log)
    played = replay(run, ["batch encoder.*.read"])
    left = {n.name for k, n in enumerate(played.names) if (played.call_columns.name == k).any()}
    assert left == {"batch encoder.*.read", "drive.write"}
    made = played.call_columns.name == [n.name for n in played.names].index("batch encoder.*.read")
    assert np.count_nonzero(made) == len(run)


def test_what_a_call_costs_by_now():
    """As in the log; half of it once each is half as long; as in the log where none is left."""
    draft = Draft.of(known(plain(20)), Setting())

    def now(code):
        return _typical_now(draft, code, draft.rows([code]))

    names = [one.name for one in draft.names]
    gyro, enc = names.index("gyro.read"), names.index("enc.a")
    assert now(gyro) == pytest.approx(2e6)
    at, _ = draft.stretches(draft.rows([gyro]))
    draft.length[at] /= 2
    assert now(gyro) == pytest.approx(1e6)
    assert now(enc) == pytest.approx(1e6)
    draft.keep[draft.name == enc] = False
    assert now(enc) == pytest.approx(1e6)
    draft.names.append(replace(draft.names[gyro], name="both.read"))  # of a change
    draft.name[draft.name == gyro] = len(draft.names) - 1
    assert now(len(draft.names) - 1) == pytest.approx(1e6)
