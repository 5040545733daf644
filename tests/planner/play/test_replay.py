"""Replay: a run played again with changes, held against answers worked out by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import looptime
from looptime.errors import UsageError
from looptime.planner.changes import parse_all
from looptime.planner.known.timeline import arrange, chain, lay
from looptime.planner.play.draft import Setting, known
from looptime.planner.play.remedies import _one_in
from looptime.planner.play.replay import play, replay
from looptime.project import Bus
from looptime.schema import CallName
from tests.build_run import make_run

LABELS = {
    "gyro.read": {"kind": "sensor read", "bus": "port"},
    "enc.a": {"kind": "sensor read", "bus": "port"},
    "enc.b": {"kind": "sensor read", "bus": "port"},
    "motor.set": {"kind": "actuator write", "bus": "port"},
    "send": {"kind": "telemetry"},
}
CALLS = [("gyro.read", 0, 2), ("enc.a", 2, 1), ("enc.b", 3, 1), ("motor.set", 5, 1)]


def plain(n=40, calls=CALLS, period=8.0, **labels):
    """Loops of one length that make the same calls."""
    return make_run([period] * n, calls, {**LABELS, **labels})


def mean_ms(run):
    """Mean period [ms]."""
    return run.loop_columns.period_ns.mean() / 1e6


def balance(run):
    """Assert that self times and unattributed time add up to each period."""
    pieces = run.self_pieces()
    covered = np.zeros(len(run), np.int64)
    np.add.at(covered, pieces.loop, pieces.self_ns)
    rest = run.loop_columns.period_ns - covered
    assert (rest >= 0).all()
    assert (run.call_columns.self_ns >= 0).all()
    assert np.array_equal(rest, run.unattributed_ns())
    assert np.array_equal(np.diff(run.loop_columns.start_ns), run.loop_columns.period_ns[:-1])
    at = run.call_columns
    inside = at.start_ns >= run.loop_columns.start_ns[at.loop]
    ends = run.loop_columns.start_ns + run.loop_columns.period_ns
    assert (inside & (at.start_ns <= ends[at.loop])).all()


def same(run, other):
    """Assert that two runs have the same loops and calls to the nanosecond."""
    assert np.array_equal(run.loop_columns.start_ns, other.loop_columns.start_ns)
    assert np.array_equal(run.loop_columns.period_ns, other.loop_columns.period_ns)
    for column in ("loop", "name", "start_ns", "duration_ns", "self_ns", "depth"):
        ours, theirs = getattr(run.call_columns, column), getattr(other.call_columns, column)
        assert np.array_equal(ours, theirs), column


def test_no_change_gives_the_run_back():
    """An empty list of changes is the recorded run."""
    run = plain()
    same(replay(run, []), run)


@pytest.mark.parametrize("text", ["scale * by=1", "every gyro.read loops=1", "cap * ms=1000"])
def test_changes_that_change_nothing(text):
    """The whole way through the planner, and still the recorded run to the nanosecond."""
    run = make_run(
        [10, 9, 12.5], [("update", 1, 6), ("gyro.read", 2, 2), ("enc.a", 4.5, 0.3)], LABELS
    )
    same(replay(run, [text]), run)


nested_loops = st.lists(
    st.tuples(
        st.integers(0, 3_000),
        st.lists(st.tuples(st.integers(0, 2_000), st.integers(0, 3_000)), max_size=3),
        st.integers(0, 1_000),
    ),
    min_size=1,
    max_size=12,
)


def built(loops, reach=0):
    """A run with nested calls, and one call that may run on into the next loop [us]."""
    periods, rows = [], []
    for j, (gap, inner, tail) in enumerate(loops):
        at = gap
        calls = []
        for k, (lead, took) in enumerate(inner):
            calls.append((f"inner{k}", (at + lead) / 1e3, took / 1e3))
            at += lead + took
        total = at + tail + 1
        calls.insert(0, ("outer", gap / 1e3, (at - gap + tail) / 1e3))
        if reach and j + 1 < len(loops):
            calls.append(("over", total / 1e3 - 0.0005, min(reach, loops[j + 1][0]) / 1e3))
        periods.append(total / 1e3)
        rows.append(calls)
    return make_run(periods, lambda j: rows[j], {"inner0": "sensor read"})


@given(nested_loops, st.integers(0, 2_000))
def test_a_chain_laid_out_is_the_run(loops, reach):
    """Nested calls, calls without length and calls across loops come back to the nanosecond."""
    run = built(loops, reach)
    line = chain(run)
    laid = lay(line, arrange(line, line.length, np.ones(len(line.row), bool)))
    at = run.call_columns
    assert np.array_equal(laid.start, at.start_ns)
    assert np.array_equal(laid.end - laid.start, at.duration_ns)
    assert np.array_equal(laid.self_ns, at.self_ns)
    assert np.array_equal(laid.loop_start, run.loop_columns.start_ns)
    spilt = {
        (r, j, t) for r, j, t in zip(at.spill_row, at.spill_loop, at.spill_ns, strict=True) if t
    }
    again = zip(laid.spill_row, laid.spill_loop, laid.spill_ns, strict=True)
    assert {(r, j, t) for r, j, t in again if t} == spilt


changes = st.lists(
    st.sampled_from(
        [
            "drop inner1", "scale inner0 by=0.37", "scale outer by=1.9", "cap inner0 ms=0.7",
            "every inner0 loops=2", "every inner0 ms=5", "on-change inner1 share=0.5",
            "thread inner0 rest-ms=1", "pace hz=200", "move inner0 bus=aux", "scale over by=0.5",
        ]
    ),
    min_size=1,
    max_size=4,
    unique=True,
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(nested_loops, st.integers(0, 2_000), changes)
def test_books_balance_in_every_prediction(loops, reach, wanted):
    """Whatever the changes, self times and unattributed time add up to every period."""
    run = built(loops, reach)
    try:
        predicted = replay(run, wanted)
    except UsageError:
        return
    balance(predicted)


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


def test_every_ms_by_hand():
    """A call due 20 ms after the last: loops of 8 and 7 ms make it in every third or so."""
    run = make_run([8.0] * 100, [("send", 0, 1)], LABELS)
    predicted = replay(run, ["every send ms=20"])
    start = predicted.call_columns.start_ns / 1e6
    # made at 0; then loops begin at 8, 15, 22: the first at or after 20 is 22
    assert start[:3].tolist() == [0, 22, 44]
    assert np.diff(start).min() >= 20
    balance(predicted)


def test_work_by_the_clock_keeps_its_rhythm_in_time():
    """In a loop twice as fast, a message every 50 ms takes the same share of time."""
    rng = np.random.default_rng(1)
    due, now, periods, rows = 0.0, 0.0, [], []
    for _ in range(4000):
        work = 8 * rng.lognormal(0, 0.1)
        calls = [("work", 0, work)]
        if now >= due:
            due = now + 50
            calls.append(("send", work, 2.0))
        periods.append(sum(c[2] for c in calls))
        rows.append(calls)
        now += periods[-1]
    run = make_run(periods, lambda j: rows[j], LABELS)
    predicted = replay(run, ["scale work by=0.5"])
    sends = predicted.call_columns.start_ns[predicted.calls["name"] == "send"] / 1e6
    gaps = np.diff(sends)
    assert gaps.min() >= 49.5
    assert gaps.mean() == pytest.approx(52.1, abs=0.5)  # due, then half a loop of about 4.2 ms
    # by the loop it would be every 6.1 loops of about 4.3 ms
    share = (2.0 * len(sends)) / (predicted.duration_s * 1e3)
    assert share == pytest.approx(2.0 / 52.1, rel=0.02)
    balance(predicted)
    per_loop = replay(run, ["scale work by=0.5"], recurs={"send": "loop"})
    assert np.diff(
        per_loop.call_columns.start_ns[per_loop.calls["name"] == "send"] / 1e6
    ).mean() < 35  # fmt: skip


def test_long_turns_by_the_clock():
    """A call made every loop that is slow every 100 ms stays slow every 100 ms."""
    rng = np.random.default_rng(2)
    now, due, periods, rows = 0.0, 0.0, [], []
    for _ in range(3000):
        work, update = 8 * rng.lognormal(0, 0.1), 0.5
        if now >= due:
            update, due = 5.0, now + 100
        rows.append([("work", 0, work), ("send", work, update)])
        periods.append(work + update)
        now += periods[-1]
    run = make_run(periods, lambda j: rows[j], LABELS)
    predicted = replay(run, ["scale work by=0.25"])
    send = predicted.calls[predicted.calls["name"] == "send"]
    long = send[send["duration_ns"] > 2_000_000]["start_ns"].to_numpy() / 1e6
    assert len(send) == 3000
    assert np.diff(long).mean() == pytest.approx(101.5, abs=1.0)


def test_pauses_strike_by_the_clock():
    """Pauses that hit whatever runs come as often in time when the loop is faster."""
    rng = np.random.default_rng(3)
    next_pause, now, periods, rows = 60.0, 0.0, [], []
    for _ in range(6000):
        parts = [2.0, 3.0, 4.0]
        for i in range(3):
            if now + sum(parts[: i + 1]) > next_pause:
                parts[i] += 6.0
                next_pause += rng.exponential(150) + 20
        rows.append([(f"c{i}", sum(parts[:i]), parts[i]) for i in range(3)])
        periods.append(sum(parts))
        now += periods[-1]
    run = make_run(periods, lambda j: rows[j])
    before = (run.loop_columns.period_ns > 13e6).sum() / run.duration_s
    predicted = replay(run, ["drop c2", "drop c1"])
    after = (predicted.loop_columns.period_ns > 7e6).sum() / predicted.duration_s
    assert after == pytest.approx(before, rel=0.06)


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


def test_pace_waits_for_ticks():
    """Loops of 8 ms paced to 100 Hz take 10 ms, of which 2 ms is the wait."""
    predicted = replay(plain(), ["pace hz=100"])
    assert set((predicted.loop_columns.period_ns / 1e6).tolist()) == {10.0}
    waits = predicted.calls[predicted.calls["name"] == "pace.wait"]
    assert set(waits["duration_ns"].tolist()) == {2_000_000}
    balance(predicted)


def test_a_late_loop_skips_or_catches_up():
    """After one loop of 25 ms a 10 ms pace skips to 30 ms, or makes up for it."""
    periods = [8.0] * 5 + [25.0] + [8.0] * 10
    run = make_run(periods, lambda j: [("work", 0, periods[j])])
    skip = replay(run, ["pace hz=100"]).loop_columns.period_ns / 1e6
    assert skip.tolist() == [10.0] * 5 + [30.0] + [10.0] * 10
    caught = replay(run, ["pace hz=100"], setting=Setting(late=0)).loop_columns.period_ns / 1e6
    # 15 ms behind, 2 ms made up in each loop
    assert caught[5:].tolist() == [25.0, *[8.0] * 7, 9.0, 10.0, 10.0]


def test_a_paced_loop_waits_for_what_it_saves():
    """In a loop that keeps 50 Hz a saving lengthens the wait and not the rate."""
    rng = np.random.default_rng(4)
    work = 12 + rng.normal(0, 0.5, 500)
    run = make_run(
        [20.0] * 500,
        lambda j: [("work", 0, work[j]), ("idle", work[j], 20 - work[j])],
        {"idle": "pacing"},
    )
    predicted = replay(run, ["scale work by=0.5"])
    assert mean_ms(predicted) == pytest.approx(20, abs=1e-3)
    idle = predicted.calls[predicted.calls["name"] == "idle"]["duration_ns"].mean() / 1e6
    assert idle == pytest.approx(20 - work.mean() / 2, abs=0.01)
    slower = replay(run, ["scale work by=2"])
    assert mean_ms(slower) > 24


def test_a_call_that_waits_for_a_measurement_does_not_shrink():
    """A sensor that measures every 15 ms holds the loop to 15 ms however fast the rest is."""
    rng = np.random.default_rng(5)
    rest = rng.uniform(5, 9, 600)
    rows = [[("work", 0, r), ("range.read", r, 15 - r)] for r in rest]
    run = make_run([15.0] * 600, lambda j: rows[j])
    predicted = replay(run, ["scale work by=0.5"])
    assert mean_ms(predicted) == pytest.approx(15, abs=0.05)


def test_names_survive_in_labels():
    """A moved call is on its new bus in the prediction."""
    predicted = replay(plain(), ["move enc.* bus=aux"])
    assert {n.name: n.bus for n in predicted.names}["enc.a"] == "aux"
    assert isinstance(predicted.names[0], CallName)


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
