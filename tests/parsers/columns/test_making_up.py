"""Parts and the wait of a paced loop, told by how one makes up for the others."""

import numpy as np
import pytest

from looptime.parsers.columns.against_steps import Steps
from looptime.parsers.columns.making_up import _may_wait, making_up
from looptime.parsers.columns.role import MAYBE, Seen
from tests.parsers.build import read, self_ms

TICK_US = 20_000


def paced(seed=5, rows=600, stalls=True, timed=True):
    """Starts, three calls and the sleep [us] of a loop that waits for its tick.

    The sleep is timed, or what was asked for.
    """
    rng = np.random.default_rng(seed)
    usual = ((1400, 100), (2900, 200), (2100, 350))
    calls = [np.rint(rng.normal(mean, sd, rows)) for mean, sd in usual]
    if stalls:
        calls[2][::90] += 23_000
    unseen = rng.normal(300, 15, rows)
    work = sum(calls) + unseen
    at, start, sleep = 40_000.0, [], []
    for took in work:
        start.append(at)
        asked = max(0.0, TICK_US - took)
        slept = asked + (abs(rng.normal(0, 25)) if asked else 0.0)
        sleep.append(slept if timed else asked)
        at += took + slept
    return np.rint(start), calls, np.rint(sleep)


def shared(rows=600, total=18_700.0, seed=3):
    """Starts [us] of a paced loop, and what four feet of a robot bear of its load."""
    rng = np.random.default_rng(seed)
    start = np.rint(40_000 + TICK_US * np.arange(rows) + rng.normal(0, 35, rows))
    return start, list(np.rint(total * rng.dirichlet([90] * 4, rows)).T)


def text(head, *columns, form="{:.0f}"):
    """A log of these columns."""
    rows = zip(*columns, strict=True)
    lines = ["\t".join([f"{row[0]:.0f}", *map(form.format, row[1:])]) for row in rows]
    return "\n".join([head, *lines] if head else lines) + "\n"


@pytest.mark.parametrize(
    "names",
    ["gyro steer log_print idle_wait", "steer tray arm sleep", "giro barre carga espera"],
)
@pytest.mark.parametrize("stalls", [True, False])
def test_what_makes_up_for_each_other_is_timed(tmp_path, names, stalls):
    """Whatever the columns are called: in us, each as long as it is, and the wait among them."""
    start, calls, sleep = paced(stalls=stalls)
    head = "\t".join(["tick_us", *names.split()])
    run = read(tmp_path, text(head, start, *calls, sleep))
    wanted = dict(zip(names.split(), [*calls, sleep], strict=True))
    found = self_ms(run)
    assert {name: found[name][:50] for name in wanted} == {
        name: (values[:50] / 1000).tolist() for name, values in wanted.items()
    }


def test_in_milliseconds_beside_readings(tmp_path):
    """A voltage and an angle that nothing goes with stay readings."""
    start, calls, sleep = paced()
    rng = np.random.default_rng(8)
    volts, angle = rng.normal(12.3, 0.1, len(start)), rng.uniform(0, 360, len(start))
    columns = [values / 1000 for values in (*calls, sleep)]
    head = "micros\ta\tvolts\tb\tc\tangle\trest"
    run = read(tmp_path, text(head, start, columns[0], volts, *columns[1:3], angle, columns[3],
                              form="{:.3f}"))  # fmt: skip
    assert {call.name for call in run.names} == {"a", "b", "c", "rest"}


def test_a_call_that_never_varies_may_be_one(tmp_path):
    """It is no more than doubted: whether the wait makes up for it cannot be seen."""
    start, calls, sleep = paced(stalls=False)
    even = 900.0 + np.random.default_rng(2).integers(0, 3, len(start))
    sleep = sleep - even
    columns = [Seen("bare", values) for values in (*calls, sleep, even)]
    made = making_up(columns, range(5), {}, Steps.of(start * 1e3, columns))
    assert [made[at].taken_as for at in range(4)] == ["part"] * 4
    assert made[4].why == MAYBE


@pytest.mark.parametrize("whole", [100.0, 1.0])
def test_shares_of_a_whole_are_no_lengths(whole):
    """Of a loop of a hundred milliseconds, or a second, shares fill all in some unit."""
    rng = np.random.default_rng(3)
    start = 1e9 * whole / (1000 if whole > 1 else 1) * np.arange(400) + rng.normal(0, 1e5, 400)
    user, system = rng.uniform(0.1, 0.4, (2, 400))
    shares = [np.round(whole * one, 3) for one in (user, system, 1 - user - system)]
    columns = [Seen("bare", values) for values in shares]
    assert making_up(columns, range(3), {}, Steps.of(start, columns)) == {}


@pytest.mark.parametrize("late", [False, True])
def test_a_wait_that_was_but_asked_for_tells_on_late_loops(tmp_path, late):
    """Without them nothing of the step is seen in it, as in readings: then that is said."""
    start, calls, sleep = paced(stalls=late, timed=False)
    run = read(tmp_path, text("tick_us\tsteer\ttray\tarm\tsleep", start, *calls, sleep))
    assert len(run.names) == 4 * late
    unsure = "whether steer, tray, arm and 1 more are lengths of time can't be told"
    assert any(unsure in limit for limit in run.clock.limits) is not late


def test_readings_that_share_a_load_are_no_calls(tmp_path):
    """Of 18.7 kg in g: in us they fill the step, but are no longer where it is."""
    start, feet = shared()
    run = read(tmp_path, text("tick_us\tfoot1\tfoot2\tfoot3\tfoot4", start, *feet))
    assert len(run.names) == 0
    assert any("can't be told: a unit in" in limit for limit in run.clock.limits)


@pytest.mark.parametrize("seed", range(5))
def test_readings_beside_known_lengths_are_no_calls(tmp_path, seed):
    """Beside the work's own length, and beside named calls, nothing of the load is booked."""
    start, feet = shared(seed=seed)
    work = np.random.default_rng(seed).integers(4000, 7000, len(start))
    head = "tick_us\twork_us\tfoot1\tfoot2\tfoot3\tfoot4"
    assert len(read(tmp_path, text(head, start, work, *feet)).names) == 0
    parts = [work // 30, work // 15]
    head = "tick_us\tgyro_us\tarm_us\tfoot1\tfoot2\tfoot3\tfoot4"
    run = read(tmp_path, text(head, start, *parts, *feet))
    assert [call.name for call in run.names] == ["gyro", "arm"]


def test_a_coarse_clock_does_not_tell(tmp_path):
    """Starts in whole ms: what each waited is lost in the tick."""
    start, calls, sleep = paced(stalls=False)
    columns = [values / 1000 for values in (*calls, sleep)]
    head = "tick_ms\tsteer\ttray\tarm\tsleep"
    run = read(tmp_path, text(head, start // 1000, *columns, form="{:.3f}"))
    assert len(run.names) == 0
    assert any("steer, tray, arm and 1 more are lengths" in limit for limit in run.clock.limits)


@pytest.mark.parametrize(
    "names", ["foot1_g foot2_g foot3_g rest_g", "left_a right_a lift_a arm_a", "kg1 kg2 kg3 kg4"]
)
def test_a_unit_in_the_names_forbids_it(names):
    """Even of what makes up for each other and fills the step one for one."""
    start, calls, sleep = paced()
    columns = (*calls, sleep)
    seen = [Seen("bare", one, name=name) for one, name in zip(columns, names.split(), strict=True)]
    assert making_up(seen, range(4), {}, Steps.of(start * 1e3, seen)) == {}
    seen = [Seen("bare", one, name=f"stage_{at}") for one, at in zip(columns, "abcd", strict=True)]
    assert len(making_up(seen, range(4), {}, Steps.of(start * 1e3, seen))) == 4


def test_it_does_not_happen_by_chance():
    """Of 500 sets of readings of any size, pairs of them against each other, none is taken."""
    rng = np.random.default_rng(17)
    clock = 1e7 * np.arange(300) + rng.normal(0, 2e4, 300)
    taken = 0
    for _ in range(500):
        size = 10 ** rng.uniform(-1, 4.6, 5)
        columns = [np.round(one * rng.gamma(rng.uniform(1, 100), 1, 300), 2) for one in size]
        pair = 10_000 * rng.uniform(0.8, 1) * np.ones(300)
        share = rng.uniform(0.2, 0.5, 300)
        columns += [np.round(pair * share, 1), np.round(pair * (1 - share), 1)]
        seen = [Seen("bare", values) for values in columns]
        taken += bool(making_up(seen, range(len(seen)), {}, Steps.of(clock, seen)))
    assert taken == 0


def test_a_column_whose_scatter_is_too_small_for_a_number_is_passed_over():
    """The wait among the others is found as if it were not there; nothing is divided by 0."""
    parts = np.random.default_rng(5).lognormal(0.0, 0.2, (60, 3))
    table = np.column_stack([parts, 20.0 - parts.sum(axis=1)])
    tiny = np.insert(table, 0, 4e-297 * parts[:, 0], axis=1)
    with np.errstate(divide="raise", invalid="raise"):
        found = _may_wait(tiny)
    assert found == [1 + at for at in _may_wait(table)] != []
