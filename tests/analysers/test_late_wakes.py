"""How late waits end, from loops whose waits follow from a rule."""

from types import SimpleNamespace

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.late_wakes import after_ticks, late_wakes
from tests.analysers.test_after_late import paced
from tests.build_run import make_flat_run


def held_now_and_then(seed=1, n=1000):
    """Work about 8 ms, and waits of which every 50th ends late, never by whole ticks."""
    rng = np.random.default_rng(seed)
    work, held = rng.normal(8.0, 0.3, n), np.zeros(n)
    held[25::50] = rng.choice([15.0, 17.5, 26.0, 34.5, 38.0], n // 50)
    return work, held


@pytest.mark.parametrize("rule", ["grid", "anew", "each"])
def test_what_a_wait_is_late_by_whatever_the_rule(rule):
    """What a loop was woken late, and nothing in the loops after it that are shorter or longer."""
    work, held = held_now_and_then()
    over = after_ticks(paced(rule, work, held), work, 20.0)
    assert np.maximum(over, 0) == pytest.approx(held, abs=0.01)


@pytest.mark.parametrize("rule", ["grid", "anew", "each"])
def test_long_work_makes_no_wait_late(rule):
    """Every 50th loop works for 15 to 70 ms: it ends when it is done, or at a later tick."""
    work, _ = held_now_and_then()
    work[25::50] += np.linspace(7, 62, 20)
    over = after_ticks(paced(rule, work, np.zeros(1000)), work, 20.0)
    assert over.max() < 0.01


def test_ticks_that_do_not_come_make_no_wait_late():
    """What wakes the loop fails to come in every 50th, so that it waits for one or two more."""
    work = np.full(1000, 8.0)
    period = np.full(1000, 20.0)
    period[25::50] = np.resize([40.0, 60.0], 20)
    assert after_ticks(period, work, 20.0).max() == 0


@pytest.mark.parametrize("logged", [True, False])
def test_a_wait_is_late_whether_it_is_logged_or_not(logged):
    """Of a wait of 12 ms, in a row of its own or outside every call, 20 end late."""
    work, held = held_now_and_then()
    period = paced("grid", work, held)
    made = {"read": work} | ({"pace": period - work} if logged else {})
    ns = {name: (1e6 * ms).astype(np.int64) for name, ms in made.items()}
    run = make_flat_run((1e6 * period).astype(np.int64) + 1, ns, {"pace": "pacing"})
    over, wait = late_wakes(prepare(run))
    assert np.flatnonzero(over > 1).tolist() == np.flatnonzero(held).tolist()
    assert over[held > 0] == pytest.approx(held[held > 0], abs=0.01)
    assert wait[held > 0] == pytest.approx(20 - work[held > 0], abs=0.01)
    assert np.median(wait) == pytest.approx(12.0, abs=0.2)


def test_of_a_fixed_sleep_what_it_has_beyond_the_usual():
    """Each loop sleeps 12 ms after its work, and 27 ms in every 50th."""
    work, held = held_now_and_then()
    sleep = np.where(held > 0, 27.0, 12.0)
    ns = {"read": (1e6 * work).astype(np.int64), "pace": (1e6 * sleep).astype(np.int64)}
    basis = prepare(make_flat_run(ns["read"] + ns["pace"] + 1, ns, {"pace": "pacing"}))
    assert basis.pacing.mode == "sleep after work"
    over, wait = late_wakes(basis)
    assert over == pytest.approx(np.where(held > 0, 15.0, 0.0), abs=0.01)
    assert wait == pytest.approx(np.full(1000, 12.0), abs=0.01)


def test_nothing_is_told_without_a_wait():
    """A loop that runs freely; one that waits for its own device, which may be late itself."""
    work, _ = held_now_and_then()
    assert late_wakes(prepare(make_flat_run((1e6 * work).astype(np.int64)))) is None
    pacing = SimpleNamespace(
        wait_known=False, fixed_rate=True, beat_call="gyro", mode="fixed rate", nominal_ms=20.0
    )
    waits = SimpleNamespace(wait_ns=None)
    assert late_wakes(SimpleNamespace(period_ms=work, pacing=pacing, waits=waits)) is None


def loops(*parts, n=100, every=10):
    """Loops of 20 ms with work of 8, of which some in a row have other lengths and work [ms]."""
    period, work = np.full(n, 20.0), np.full(n, 8.0)
    for k, part in enumerate(parts):
        for j, (length, took) in enumerate(part):
            period[5 + every * k + j], work[5 + every * k + j] = length, took
    return period, work


def over_of(*parts, nominal=20.0):
    """What the wait of each of those loops is late by [ms]."""
    over = after_ticks(*loops(*parts), nominal)
    return [float(over[5 + 10 * k + j]) for k, part in enumerate(parts) for j in range(len(part))]


def test_the_tick_is_what_usual_loops_take():
    """All 4 % longer than asked for; a tenth 7.5 % longer, which are late; none as asked for."""
    assert after_ticks(np.full(50, 20.8), np.full(50, 8.0), 20.0) == pytest.approx(np.zeros(50))
    late = 20.4 * np.array([1.0, 1.0, 1.75, 1.0])
    assert after_ticks(late, np.full(4, 8.0), 20.0)[2] == pytest.approx(15.3)
    assert over_of(*[[(21.5, 8.0)]] * 10) == pytest.approx([1.5] * 10)
    assert after_ticks(np.full(50, 30.0), np.full(50, 28.0), 20.0).max() < 0


def test_work_that_ends_just_before_a_tick_misses_it():
    """By less than a twentieth of it, counted from the grid or from a start that was late."""
    held = [[(35.0, 8.0)]] * 3
    assert over_of([(40.0, 19.4)], *held)[0] == 0
    assert over_of([(40.0, 18.4)], *held)[0] == 20
    assert over_of([(35.0, 8.0), (40.0, 19.4)], *held)[:2] == [15, 0]


def test_a_loop_begun_late_ends_on_the_grid_of_the_last_usual_loop():
    """Which itself was 0.6 ms longer: no later loop is late by that once more."""
    over = over_of([(20.6, 8.0), (35.0, 8.0), (25.0, 8.0), (55.0, 8.0), (25.0, 8.0)])
    assert over == pytest.approx([0.6, 15.0, 0.0, 35.0, 0.0], abs=0.3)


@pytest.mark.parametrize(
    ("late", "missed"), [(40.9, True), (41.2, False), (39.2, True), (38.8, False), (60.9, True)]
)
def test_a_whole_tick_is_one_within_a_twentieth(late, missed):
    """Where all late loops are of one length, their waits are late unless that is two ticks."""
    assert over_of(*[[(late, 8.0)]] * 8) == pytest.approx([0.0 if missed else late - 20] * 8)


@pytest.mark.parametrize(("whole", "missed"), [(4, False), (5, False), (6, True)])
def test_most_late_loops_tell_whether_ticks_fail_to_come(whole, missed):
    """Of ten late by more than half a tick; ten by 3 ms and ten by 0.5 tell nothing of that."""
    parts = [[(40.0, 8.0)]] * whole + [[(35.0, 8.0)]] * (10 - whole)
    beside = [(20.0, 8.0), (23.0, 8.0), (20.0, 8.0), (20.5, 8.0)]
    late = over_of(*[[*part, *beside] for part in parts])
    expected = [0.0 if missed else 20.0] * whole + [15.0] * (10 - whole)
    assert late[::5] == pytest.approx(expected, abs=0.2)


def of_basis(mode="fixed rate", rest=None, wait=None, **pacing):
    """Late wakes of loops of 20 ms, of which `wait` is logged and `rest` outside every call."""
    known = {"wait_known": True, "fixed_rate": True, "beat_call": None, "nominal_ms": 20.0}
    return late_wakes(SimpleNamespace(
        period_ms=np.full(50, 20.0), pacing=SimpleNamespace(**known | {"mode": mode} | pacing),
        waits=SimpleNamespace(wait_ns=None if wait is None else np.full(50, wait * 1e6)),
        unattributed_ns=np.full(50, (rest or 0.0) * 1e6),
    ))  # fmt: skip


def test_what_counts_as_the_wait():
    """What is logged and known to be it; else what no call covers, a tenth of the loop at least."""
    assert of_basis(wait=1.5)[1][0] == 1.5
    assert of_basis(rest=5.0)[1][0] == 5.0
    assert of_basis(wait=1.5, rest=5.0, wait_known=False)[1][0] == 5.0
    assert of_basis(rest=2.5, wait_known=False)[1][0] == 2.5
    assert of_basis(rest=1.5, wait_known=False) is None
    assert of_basis("sleep after work", rest=5.0, wait_known=False, fixed_rate=False) is None
    assert of_basis("free-running", wait=5.0, fixed_rate=False) is None
    assert of_basis(wait=5.0, nominal_ms=None) is None
