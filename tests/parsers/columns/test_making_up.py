"""Parts and the wait of a paced loop, told by how one makes up for the others."""

import numpy as np
import pytest

from looptime.parsers.columns.against_steps import Steps
from looptime.parsers.columns.making_up import making_up
from looptime.parsers.columns.role import MAYBE, Seen
from tests.parsers.build import read, self_ms

TICK_US = 20_000


def paced(seed=5, rows=600, stalls=True):
    """Starts, three calls and the sleep [us] of a loop that waits for its tick."""
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
        sleep.append(max(0.0, TICK_US - took))
        at += took + sleep[-1] + (abs(rng.normal(0, 25)) if sleep[-1] else 0.0)
    return np.rint(start), calls, np.rint(sleep)


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
