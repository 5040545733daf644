"""Instants within the loop, counted from its start."""

import numpy as np
import pytest

from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.columns.laps import adds_up, find_laps, lengths_of, wrapping_instants
from looptime.parsers.text.dialect import Dialect
from tests.parsers.build import read, self_ms, unattributed_ms

ROWS = 60


@pytest.mark.parametrize("heads", [
    "after_gyro,after_drive,after_lift", "gyro_done,drive_done,lift_done",
    "lap_gyro,lap_drive,lap_lift", "gyro_done_at,drive_done_at,lift_done_at",
])  # fmt: skip
def test_laps_last_since_the_one_before(tmp_path, heads):
    """What a lap took is its instant less that of the lap before, and the loop's rest is left."""
    k = np.arange(ROWS)
    gyro, drive, lift = 1000 + k % 7, 3000 + 40_000 * (k % 10 == 9), 200 + k % 3
    period = gyro + drive + lift + 900
    start = np.cumsum(period) - period
    laps = np.cumsum([gyro, drive, lift], axis=0)
    log = f"loop_start_us,{heads}\n" + "".join(
        f"{s},{a},{b},{c}\n" for s, a, b, c in zip(start, *laps, strict=True)
    )
    run = read(tmp_path, log)
    own = {name.split("_")[-1]: values for name, values in self_ms(run).items()}
    if heads.startswith("gyro"):
        own = {name.split("_")[0]: values for name, values in self_ms(run).items()}
    assert own["drive"] == [v / 1e3 for v in drive[:-1]]
    assert own["lift"] == [v / 1e3 for v in lift[:-1]]
    assert unattributed_ms(run) == [0.9] * (ROWS - 1)


def test_lengths_that_do_not_rise_from_column_to_column_are_no_laps(tmp_path):
    """Named alike, but not in order in each row: lengths of their own."""
    k = np.arange(ROWS)
    gyro, drive = 2 + k % 5, 4 - k % 3
    log = "t_ms,after_gyro_ms,after_drive_ms\n" + "".join(
        f"{20 * i},{a},{b}\n" for i, a, b in zip(k, gyro, drive, strict=True)
    )
    assert sorted(self_ms(read(tmp_path, log)).values()) == sorted(
        [[float(v) for v in gyro[:-1]], [float(v) for v in drive[:-1]]]
    )


def test_instants_of_a_counter_that_wraps_every_few_loops(tmp_path):
    """Three instants of loops of 6 ms on 16 bits of microseconds are stages, not lengths."""
    k = np.arange(300)
    start = 6000 * k + k % 7
    gyro, drive = start + 1000 + k % 5, start + 4000 + k % 11
    log = "t_start_us,t_gyro_us,t_drive_us\n" + "".join(
        f"{a % 65536},{b % 65536},{c % 65536}\n" for a, b, c in zip(start, gyro, drive, strict=True)
    )
    run = read(tmp_path, log)
    assert run.layout == "stages"
    assert self_ms(run)["t_drive"] == [float(v) / 1e3 for v in (drive - gyro)[:-1]]
    assert run.loop_columns.period_ns.tolist() == (np.diff(start) * 1000).tolist()


def _sixteen_bits(count: int) -> tuple[list[Head], Dialect]:
    """Three instants in each of so many loops of 20 ms, told by a counter of 16 bits in us."""
    start = 20_011 * np.arange(count) + 60_000
    columns = [(start + more) % 2**16 for more in (0, 3000, 9000)]
    names = ("start_us", "gyro_us", "drive_us")
    sample = tuple(tuple(str(v) for v in row) for row in zip(*columns, strict=True))
    return heads(names), Dialect(",", ".", names, 0, 3, 1, sample=sample)


@pytest.mark.parametrize(("count", "found"), [(19, 0), (20, 3), (200, 3)])
def test_a_counter_that_wraps_every_few_loops_tells_instants(count, found):
    """They follow each other round the counter, whatever stands first in a row; 20 rows tell."""
    made = wrapping_instants(*_sixteen_bits(count))
    assert [head.text for head in made] == ["start_us", "gyro_us", "drive_us"][:found]


def _three(rng, rows=400):
    """What three parts of a loop take [ms], each on its own, and now and then a long one."""
    took = np.array([1.2, 0.7, 1.9])[:, None] * np.exp(0.15 * rng.standard_normal((3, rows)))
    took[1, 7::40] += 6
    return took.round(3)


def test_columns_that_add_up_along_a_row_are_instants_where_no_clock_stands_beside(tmp_path):
    """Nothing names them: the loop lasts until the last, and each part is what it adds."""
    took = _three(np.random.default_rng(3))
    rows = np.cumsum(took, axis=0).T
    log = "loop,imu_ms,arm_ms,drive_ms\n" + "".join(
        f"{k},{a:.3f},{b:.3f},{c:.3f}\n" for k, (a, b, c) in enumerate(rows)
    )
    run = read(tmp_path, log)
    assert run.loop_columns.period_ns.tolist() == np.rint(1e6 * took.sum(axis=0)).tolist()
    for name, part in zip(("imu", "arm", "drive"), took, strict=True):
        assert self_ms(run)[name] == pytest.approx(part.tolist(), abs=1e-9)
    assert any("add up along every row" in one for one in run.clock.notes)


@pytest.mark.parametrize("grow", ["alone", "alike"])
def test_lengths_that_happen_to_be_longer_from_column_to_column_are_added_up(tmp_path, grow):
    """Each longer than the one before in every row, but lengths: they do not hold each other."""
    rng = np.random.default_rng(4)
    load = np.exp(0.15 * rng.standard_normal((3 if grow == "alone" else 1, 400)))
    took = (np.array([1.0, 3.0, 9.0])[:, None] * load).round(3)
    log = "loop,imu_ms,arm_ms,drive_ms\n" + "".join(
        f"{k},{a:.3f},{b:.3f},{c:.3f}\n" for k, (a, b, c) in enumerate(took.T)
    )
    period = read(tmp_path, log).loop_columns.period_ns
    assert period.tolist() == np.rint(1e6 * took.sum(axis=0)).tolist()


def _sheet(columns, names):
    """A log of these columns, one row a loop."""
    sample = tuple(tuple(str(v) for v in row) for row in zip(*columns, strict=True))
    return heads(names), Dialect(",", ".", names, 0, len(names), 1, sample=sample)


@pytest.mark.parametrize(
    ("step", "middle", "last", "found"),
    [
        (20_000, 3000, 9000, True),
        (20_000, 0, 9000, True),  # two at one instant
        (20_000, 3000, 20_200, True),  # 1 % beyond the next loop's start
        (20_000, 3000, 20_402, True),  # 2 % and 2 counts
        (20_000, 3000, 20_403, False),
        (20_000, 3000, 25_000, False),
    ],
)
def test_instants_of_a_loop_end_by_about_the_next_ones_start(step, middle, last, found):
    """Up to 2 % of the step and two counts beyond it."""
    start = step * np.arange(60)
    columns = [(start + more) % 2**16 for more in (0, middle, last)]
    made = wrapping_instants(*_sheet(columns, ("start_us", "gyro_us", "drive_us")))
    assert len(made) == 3 * found


@pytest.mark.parametrize(
    ("step", "units"), [(1000, ("us", "us")), (20_000, ("us", "ms"))], ids=["rises", "mixed"]
)
def test_a_counter_that_only_rises_or_has_two_units_is_no_such_one(step, units):
    """60 loops of 1 ms are done before 16 bits wrap; two units are no one counter."""
    start = step * np.arange(60)
    columns = [start % 2**16, (start + 300) % 2**16]
    names = tuple(f"{n}_{u}" for n, u in zip(("start", "gyro"), units, strict=True))
    assert wrapping_instants(*_sheet(columns, names)) == ()


@pytest.mark.parametrize("parts", [2, 3, 4])
@pytest.mark.parametrize("constant", [False, True])
def test_sums_of_three_lengths_and_more_are_told_by_values_alone(parts, constant):
    """Each goes its own way, or one never varies; two are too few to tell."""
    took = np.random.default_rng(7).integers(1000, 3000, (parts, 200)).astype(float)
    if constant:
        took[1] = 2000.0
    assert adds_up(np.cumsum(took, axis=0)) is (parts > 2)


@pytest.mark.parametrize(("against", "told"), [(2, True), (3, False)])
def test_instants_follow_one_another_in_99_of_100_rows(against, told):
    """In two rows of 200 the second comes before the first, or in three."""
    laps = np.cumsum(np.random.default_rng(8).uniform(1, 3, (3, 200)), axis=0)
    laps[1, 5 : 5 + against] = 0.0
    assert adds_up(laps) is told
    columns = np.round(laps, 3)
    named = _sheet(columns, ("after_imu_ms", "after_arm_ms", "after_lift_ms"))
    assert (find_laps(*named, None) == {0: -1, 1: 0, 2: 1}) is told


def test_two_laps_are_found_by_their_names_without_a_clock():
    """What says that it is an end needs no third one beside it."""
    took = np.random.default_rng(9).uniform(1, 3, (2, 60)).round(3)
    sheet = _sheet(np.cumsum(took, axis=0).round(3), ("after_imu_ms", "after_arm_ms"))
    assert find_laps(*sheet, None) == {0: -1, 1: 0}


@pytest.mark.parametrize("paced", [False, True])
def test_laps_beside_a_clock_are_told_by_values_where_its_steps_go_with_the_last(tmp_path, paced):
    """imu, enc, drive take 3, 0.4 and 5 ms and are stamped from the loop's start, in us."""
    draw = np.random.default_rng(4)
    took = np.array([[3000.0], [400.0], [5000.0]]) * draw.normal(1, 0.05, (3, 200))
    laps = np.cumsum(took, axis=0)
    period = np.full(200, 20_000.0) if paced else laps[-1] + 400
    t0 = np.cumsum(period) - period
    rows = "".join(
        f"{a:.0f},{b:.0f},{c:.0f},{d:.0f}\n" for a, b, c, d in zip(t0, *laps, strict=True)
    )
    run = read(tmp_path, "t0,imu,enc,drive\n" + rows)
    found = {name: np.median(ms) for name, ms in self_ms(run).items()}
    if paced:  # lengths that hold one another, or readings: nothing decides
        assert not found
    else:
        assert found == pytest.approx({"imu": 3.0, "enc": 0.4, "drive": 5.0}, rel=0.02)


@pytest.mark.parametrize("word", ["lap", "split"])
@pytest.mark.parametrize("order", [(0, 1, 2), (0, 2, 1), (2, 1, 0)])
@pytest.mark.parametrize("counted", [False, True])
def test_laps_that_know_nothing_of_the_one_before_are_lengths(word, order, counted):
    """An instant is later as the one before is; a length is as long as it is, in any order."""
    took = np.random.default_rng(4).uniform(0.9, 1.1, (3, 300)) * np.array([[2], [7], [16]])
    values = (np.cumsum(took, axis=0) if counted else took)[list(order)]
    sheet = _sheet(values.tolist(), tuple(f"{word} {name}" for name in "abc"))
    first, second, third = np.argsort(order).tolist()
    told = {first: -1, second: first, third: second} if counted else {}
    assert find_laps(*sheet, None) == told


def test_a_wait_for_a_tick_is_a_lap_though_it_ends_at_its_own_time():
    """However late the work is over, the loop is over at its tick."""
    work = np.random.default_rng(4).uniform(5, 9, 300)
    rows = [work.tolist(), (20 + 0.01 * (work % 1)).tolist()]
    assert find_laps(*_sheet(rows, ("lap work", "lap wait")), None) == {0: -1, 1: 0}


def _warming(counted):
    """What parts of 600 loops take [us], twice as long at first, or the instants at their ends."""
    draw = np.random.default_rng(21)
    warm = 1 + 1.2 * np.exp(-np.arange(600) / 120)
    took = np.array([[1100.0], [1800.0], [2800.0], [6000.0]]) * draw.normal(1, 0.04, (4, 600))
    took = np.rint(took * warm)
    return took, np.cumsum(took, axis=0) if counted else took


@pytest.mark.parametrize("counted", [False, True])
@pytest.mark.parametrize("order", [(0, 1, 2, 3), (1, 3, 2, 0)])
@pytest.mark.parametrize("beside", ["nothing", "total", "clock"])
def test_a_warm_up_makes_no_lengths_instants(counted, order, beside):
    """All are long at first: what goes on from row to row tells, and what they add up to."""
    took, values = _warming(counted)
    columns = [values[at].tolist() for at in order]
    heads_of = ("imu_us", "arm_us", "lift_us", "drive_us")
    names = [heads_of[at] for at in order]
    whole = took.sum(axis=0) + 240
    if beside == "total":
        columns, names = [*columns, whole.tolist()], [*names, "total_us"]
    if beside == "clock":
        columns, names = [*columns, (np.cumsum(whole) - whole).tolist()], [*names, "time_us"]
    found, dialect = _sheet(columns, tuple(names))
    told = find_laps(found[:4], dialect, found[4] if beside == "clock" else None)
    if beside == "total":
        told = find_laps(found, dialect, None)
    places = np.argsort(order).tolist()
    before = dict(zip(places, [-1, *places[:-1]], strict=True))
    assert told == (before if counted else {})


@pytest.mark.parametrize("scale", [1.0, 1e-3, 1e3])
@pytest.mark.parametrize("rest", [0.0, 0.5, 2.0])
def test_what_a_loop_is_made_of_is_told_by_what_is_left_of_it(scale, rest):
    """A rest of its own that is no more than the parts vary hides neither; one of a pace both."""
    draw = np.random.default_rng(22)
    took = np.array([[2.0], [3.0], [5.0]]) * draw.normal(1, 0.1, (3, 400))
    laps, whole = np.cumsum(took, axis=0), took.sum(axis=0) + rest * draw.uniform(0.9, 1.1, 400)
    assert lengths_of(scale * whole, took)
    assert not lengths_of(scale * whole, laps)
    assert not lengths_of(np.full(400, 20.0), took)
    assert not lengths_of(np.full(400, 20.0), laps)


def test_coarse_lengths_of_a_loop_are_its_parts(tmp_path):
    """Whole milliseconds of a loop of about 12: 2.1, 6.2 and 3.1, each rounded up by chance."""
    draw = np.random.default_rng(0)
    exact = np.array([[2.1], [6.2], [3.1]]) * (1 + 0.09 * draw.standard_normal((3, 600)))
    cells = np.floor(exact + draw.uniform(0, 1, (3, 600))).astype(int)
    at = 812 + np.floor(np.cumsum(exact.sum(axis=0) + 0.9)).astype(int)
    rows = "\n".join(f"{t} {a} {b} {c}" for t, (a, b, c) in zip(at, cells.T, strict=True))
    means = {
        n: np.mean(v) for n, v in self_ms(read(tmp_path, f"ms gyro wheels servo\n{rows}")).items()
    }
    assert means == pytest.approx({"gyro": 2.1, "wheels": 6.2, "servo": 3.1}, abs=0.1)
