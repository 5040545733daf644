"""Costs: sums that must add up, and rows worked out by hand."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.call_costs import costs, like_calls
from looptime.analysers.slow import slow_loops
from tests.build_run import make_flat_run, make_run

NAMES = {
    "gyro.read": {"kind": "sensor read", "bus": "port", "subsystem": "drive"},
    "update": {"kind": "compute", "subsystem": "drive"},
    "send": "telemetry",
    "pace": "pacing",
}


def random_run(seed: int, paced: bool):
    """Nested calls, calls across boundaries, a second thread, some waits."""
    rng = np.random.default_rng(seed)
    n = 60

    def calls(k: int):
        a = rng.uniform(0.5, 2)
        rows = [("update", 0, a + 3), ("gyro.read", 0.2, a), ("gyro.read", 5, 1)]
        if k % 5 == 0 and k < n - 1:
            rows.append(("send", 8.5, rng.uniform(1, 3)))  # may run on into the next loop
        if paced and k % 5:
            rows.append(("pace", 7, 1.2))
        rows.append(("gyro.read", 2, 4, "io"))
        return rows

    def fitting(k: int):
        rows = calls(k)
        if k and (k - 1) % 5 == 0:  # leave room for what runs on from the loop before
            rows = [r for r in rows if r[0] in ("send",) or len(r) > 3]
        return rows

    return make_run(rng.uniform(9.5, 12, n), fitting, NAMES)


@pytest.mark.parametrize("paced", [False, True])
@pytest.mark.parametrize("seed", range(5))
def test_everything_adds_up(seed, paced):
    """Shares and variance shares add up to 1, slow excess to the mean excess, to 1e-9."""
    basis = prepare(random_run(seed, paced))
    slow = basis.judged_ms > np.percentile(basis.judged_ms, 90)
    found = costs(basis, slow)
    rows = [r for r in found.rows if r.share is not None]
    assert basis.judged == ("work" if paced else "period")
    assert sum(r.share for r in rows) == pytest.approx(1, abs=1e-9)
    assert sum(r.variance_share for r in rows) == pytest.approx(1, abs=1e-9)
    x = basis.judged_ms
    excess = x[slow].mean() - x[basis.typical].mean()
    assert found.mean_excess_ms == pytest.approx(excess, abs=1e-9)
    assert sum(r.slow_excess_ms for r in rows) == pytest.approx(excess, abs=1e-9)
    for label in ("kind", "subsystem", "device", "bus"):
        groups = [g for g in found.by(label) if g.share is not None]
        assert sum(g.share for g in groups) == pytest.approx(1, abs=1e-9)


def test_rows_by_hand():
    """Self times, shares and durations of two loops with nesting."""
    run = make_run([10, 10], [("update", 0, 6), ("gyro.read", 1, 4)], NAMES)
    found = costs(prepare(run))
    gyro, update = found.rows[0], found.rows[2]
    assert (gyro.name, gyro.self_ms_per_loop, gyro.share) == ("gyro.read", 4.0, 0.4)
    assert (found.unattributed.self_ms_per_loop, found.unattributed.share) == (4.0, 0.4)
    assert (found.unattributed.count, found.unattributed.calls_per_loop) == (0, 0.0)
    assert (update.name, update.self_ms_per_loop, update.p50_ms) == ("update", 2.0, 6.0)
    assert (gyro.bus, gyro.subsystem, gyro.kind) == ("port", "drive", "sensor read")
    assert [(g.name, g.share) for g in found.by("bus")] == [
        ("port", 0.4),
        ("unattributed", 0.4),
        ("(none)", 0.2),
    ]


def test_call_across_a_boundary_is_one_call():
    """Its duration is whole, its self time is split between the loops."""
    run = make_run([10, 10, 10], lambda k: [("send", 8, 6)] if k == 0 else [], NAMES)
    found = costs(prepare(run))
    send = next(r for r in found.rows if r.name == "send")
    assert (send.count, send.max_ms) == (1, 6.0)
    assert send.self_ms_per_loop == pytest.approx(2.0)
    assert send.share == pytest.approx(0.2)


def test_other_threads_have_no_share():
    """A call on another thread costs the loop nothing, and stands in a row of its own."""
    run = make_run([10] * 4, [("update", 0, 5), ("update", 1, 8, "io")], NAMES)
    found = costs(prepare(run))
    mine, other = found.calls
    assert (mine.thread, mine.share, mine.p50_ms) == ("main", 0.5, 5.0)
    assert (other.thread, other.share, other.p50_ms) == ("io", None, 8.0)
    assert other.self_ms_per_loop == 8.0
    assert not other.on_loop_thread


def test_first_call():
    """First call over the median of the others; of the whole run where warm-up was cut."""
    run = make_run([50, 10, 10, 10], lambda k: [("update", 0, [40, 4, 2, 6][k])], NAMES)
    assert costs(prepare(run)).calls[0].first_ratio == pytest.approx(10)
    cut = run.select(np.array([False, True, True, True]))
    found = costs(prepare(cut), first_ms={(0, 0): 40.0})
    assert found.calls[0].first_ratio == pytest.approx(10)


def test_pacing_wait_is_no_part_of_the_work():
    """Where work is judged the wait has no share, and the rest add up to 1."""
    run = make_run([20] * 30, lambda k: [("update", 0, 8 + k % 3), ("pace", 8 + k % 3, 10)], NAMES)
    found = costs(prepare(run))
    pace = next(r for r in found.rows if r.name == "pace")
    assert pace.share is None
    assert pace.self_ms_per_loop == 10.0
    update = next(r for r in found.rows if r.name == "update")
    assert update.share == pytest.approx(9 / 10)


def test_culprit_has_the_variance_and_the_excess():
    """One call that varies while all else stays has all of both."""
    steady = np.full(1000, 5_000_000)
    varying = np.full(1000, 2_000_000)
    varying[::20] = 9_000_000
    run = make_flat_run(steady + varying, {"steady": steady, "varying": varying})
    basis = prepare(run)
    slow, _, _ = slow_loops(basis)
    found = {r.name: r for r in costs(basis, slow).rows}
    assert found["varying"].variance_share == pytest.approx(1)
    assert found["varying"].slow_excess_ms == pytest.approx(7)
    assert found["steady"].slow_excess_ms == 0


@pytest.mark.parametrize("n", [1, 2, 50])
def test_degenerate_runs(n):
    """Constant periods, no time at all, one call: None where nothing is defined, no warning."""
    found = costs(prepare(make_run([10] * n, [("update", 0, 5)], NAMES)))
    assert found.rows[0].share == 0.5
    assert found.rows[0].variance_share is None
    assert found.mean_excess_ms is None
    none = costs(prepare(make_run([0] * n)))
    assert none.unattributed.share is None


def test_ten_thousand_names():
    """A name for every call is no trouble."""
    run = make_run([20_000], lambda k: [(f"part{j}", 2 * j, 1) for j in range(10_000)])
    found = costs(prepare(run))
    assert len(found.calls) == 10_000
    assert sum(r.share for r in found.rows) == pytest.approx(1, abs=1e-9)


def test_groups_stand_in_the_order_of_what_they_cost():
    """One call of each of three kinds and what no call covers: 4, 3, 2 and 1 ms a loop."""
    calls = [("send", 0, 2), ("update", 2, 4), ("gyro.read", 6, 3)]
    groups = costs(prepare(make_run([10] * 30, calls, NAMES))).by("kind")
    assert [g.name for g in groups] == ["compute", "sensor read", "telemetry", "unattributed"]
    assert [g.self_ms_per_loop for g in groups] == pytest.approx([4, 3, 2, 1])


def test_like_calls_are_one_group_where_kind_and_bus_are_alike():
    """Uncovered time is 4 ms, three reads of one bus 3, one of another bus and a wait 1.5 each."""
    names = {f"wheel{k}.read": {"kind": "sensor read", "bus": "port"} for k in range(3)}
    names |= {"wheel3.read": {"kind": "sensor read", "bus": "aux"}, "wheel4.read": "pacing"}
    calls = [(name, 2.0 * k, 1.0 if k < 3 else 1.5) for k, name in enumerate(names)]
    found = costs(prepare(make_run([10.0] * 60, calls, names)))
    assert [(pattern, len(group)) for pattern, group in like_calls(found.rows)] == [
        ("unattributed", 1), ("wheel*.read", 3), ("wheel3.read", 1), ("wheel4.read", 1),
    ]  # fmt: skip


def test_columns_without_a_name_are_not_alike():
    """What numbers alone tell apart is not one kind of call, as two reads of a wheel are."""
    n = 40
    took = {"column_2": np.full(n, 2_000_000), "column_3": np.full(n, 8_000_000)}
    basis = prepare(make_flat_run(np.full(n, 11_000_000), took))
    assert [name for name, _ in like_calls(costs(basis).calls)] == ["column_3", "column_2"]
