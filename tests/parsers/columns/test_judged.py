"""Lengths that happen to rise over a few rows are lengths; instants that rise are instants."""

import warnings
from dataclasses import replace

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.text.dialect import numbers
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import periods_ms, read


def _read(tmp_path, header, rows):
    path = tmp_path / "log.csv"
    lines = [",".join(f"{value:g}" for value in row) for row in rows]
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return looptime.read(path, cache=False)


@pytest.mark.parametrize("clock", ["t_ms", "time_ms", "t_s"])
@pytest.mark.parametrize("n", [4, 8, 12])
def test_small_tables_whose_parts_rise_are_costs(tmp_path, clock, n):
    """Of 20 tables each whose parts rise side by side, every one is a clock and its parts."""
    rng = np.random.default_rng(n)
    for _ in range(20):
        imu = 1 + 0.5 * np.arange(n) + rng.uniform(0, 0.2, n)
        drive = imu + rng.uniform(0, 0.3, n)
        at = np.arange(n) * (0.02 if clock == "t_s" else 20)
        rows = list(zip(at, imu, drive, strict=True))
        run = _read(tmp_path, f"{clock},imu_ms,drive_ms", rows)
        assert run.layout == "costs"
        assert [name.name for name in run.names] == ["imu", "drive"]
        assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}
        took = run.call_columns.duration_ns[:2] / 1e6
        assert took == pytest.approx([imu[0], drive[0]], rel=1e-4)


@pytest.mark.parametrize("n", [4, 8, 40])
@pytest.mark.parametrize("ahead", [0, 90_000])
def test_instants_beside_another_clock_are_stages(tmp_path, n, ahead):
    """The same header over instants that go on as the clock does, or far ahead of it."""
    at = 20.0 * np.arange(n)
    rows = list(zip(at, at + ahead + 1.5, at + ahead + 7, strict=True))
    run = _read(tmp_path, "t_ms,imu_ms,drive_ms", rows)
    assert run.layout == "stages"
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}


@pytest.mark.parametrize("head", ["latency_at_end_ms", "time_ms"])
def test_the_time_of_a_loop_in_a_log_without_a_clock(tmp_path, head):
    """Where nothing tells the time, what is called so is how long the loop took: 1 ms is left."""
    k = np.arange(60)
    gyro, drive = 2 + k * 7 % 5, 5 + k * 3 % 7
    rows = zip(gyro + drive + 1, gyro, drive, strict=True)
    run = _read(tmp_path, f"{head},gyro_ms,drive_ms", rows)
    assert set(run.unattributed_ns().tolist()) == {1_000_000}


@pytest.mark.parametrize("head", ["loop_t", "Loop time", "cycle time", "when", "since boot"])
def test_the_time_of_a_loop_that_only_rises_is_its_clock(tmp_path, head):
    """How long a loop took falls now and then; what rises by 20 a row is the instant, in ms."""
    rows = [(3.25 + 20 * k + k % 3 / 4, 2 + k % 4, 0.5) for k in range(60)]
    run = _read(tmp_path, f"{head},imu_ms,drive_ms", rows)
    assert run.clock.unit == "ms"
    assert run.loop_columns.period_ns[:3].tolist() == [20_250_000, 20_250_000, 19_500_000]


def test_what_rises_under_a_name_that_tells_nothing_may_be_the_clock(tmp_path):
    """The answer says that there is no clock, and which column it would be."""
    rows = [(3.25 + 20 * k + k % 3 / 4, 2 + k % 4, 0.5) for k in range(60)]
    run = _read(tmp_path, "fpga,imu_ms,drive_ms", rows)
    assert run.clock.limits[1:] == ("if 'fpga' is the clock, --columns names it so",)


@pytest.mark.parametrize("header", ["tick", "n", "paket"])
def test_a_number_that_skips_as_the_clock_does_counts_lost_loops(tmp_path, header):
    """Every seventh row is missing: 16 ms is the loop, no loop of 32 ms."""
    kept = [k for k in range(140) if k % 7 != 6]
    rows = [(k, 16 * k + (k % 3), 3 + k % 5) for k in kept]
    run = _read(tmp_path, f"{header},robot_ms,imu_ms", rows)
    assert run.loop_columns.period_ns.max() <= 18_000_000
    assert run.set_aside.counts["rows lost around it"] == 19


def test_a_hole_that_numbers_and_clock_show_alike_is_no_stall(tmp_path):
    """A hundred rows are missing in one stretch: the loop stays at 16 ms."""
    rows = [(k, 16 * k + (k % 3), 3 + k % 5) for k in [*range(80), *range(180, 400)]]
    run = _read(tmp_path, "paket,robot_ms,imu_ms", rows)
    assert run.loop_columns.period_ns.max() <= 18_000_000


def test_a_number_that_skips_beside_an_even_clock_counts_something_else(tmp_path):
    """Readings that came in since: a loop is a loop, however many there were."""
    came = np.cumsum([1 + (k % 3 == 0) for k in range(140)])
    rows = [(c, 16 * k + (k % 3)) for k, c in enumerate(came)]
    run = _read(tmp_path, "readings,robot_ms", rows)
    assert len(run) == 139


def test_a_clock_coarser_than_the_periods_beside_it(tmp_path):
    """Loops of 9 ms under a clock of 10 ms: their own lengths are what is read."""
    k = np.arange(300)
    took = 9000 + (k * 37 % 101) * 10 + 16_000 * (k % 33 == 0)
    clock = np.concatenate([[0], np.cumsum(took)[:-1]]) // 10_000 * 0.01
    run = _read(tmp_path, "Time [s],dt_us", zip(clock, took, strict=True))
    assert run.loop_columns.period_ns.tolist() == (1000 * took).tolist()


def test_steps_of_a_clock_beyond_whole_numbers(tmp_path):
    """A time of 1e30 beside a period: an answer or one line, and no warning of a library."""
    rows = "".join(f"{1e30 if k == 20 else k * 0.01},{10 + k % 3}\n" for k in range(40))
    path = tmp_path / "log.csv"
    path.write_text("time_s,period_ms\n" + rows, encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        run = looptime.read(path)
    assert run.loop_columns.period_ns.max() < 20e6


@pytest.mark.parametrize("side", ["before", "after"])
@pytest.mark.parametrize(
    ("header", "unit_us"),
    [("heure,capteurs,moteurs,boucle", 1), ("klok,meten,rijden,rondje", 1000)],
)
def test_what_equals_the_steps_of_a_column_shows_that_it_is_the_clock(
    tmp_path, header, unit_us, side
):
    """Of a paced loop nobody's costs move the steps: the loop's length beside them is the proof."""
    rng = np.random.default_rng(8)
    step = 10_000 + rng.integers(-40, 40, 90)
    start = 51_200_000 + np.concatenate([[0], np.cumsum(step)[:-1]])
    length = step if side == "after" else np.concatenate([[0], step[:-1]])
    read, drive = 1000 + rng.integers(0, 300, 90), 2500 + rng.integers(0, 900, 90)
    rows = [f"{t / 1e6:.6f},{a / unit_us:g},{b / unit_us:g},{c / unit_us:g}"
            for t, a, b, c in zip(start, read, drive, length, strict=True)]  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    run = looptime.read(path, cache=False)
    assert run.layout == "costs"
    period = np.rint(run.loop_columns.period_ns / 1e3)
    assert len(period) >= 88
    assert set(period.tolist()) <= set(step.tolist())
    assert [name.name for name in run.names] == header.split(",")[1:3]
    took = run.call_columns.duration_ns / 1e3
    assert np.median(took[run.call_columns.name == 1]) == pytest.approx(np.median(drive), abs=10)


@pytest.mark.parametrize(("step", "clock"), [(0.1, False), (10, False), (0.02, True)])
def test_classes_of_a_histogram_are_no_instants(tmp_path, step, clock):
    """Classes 0.1 or 10 ms wide with a count each; a column that nobody names may be a clock."""
    rows = [(round(step * k, 6), (k * 7) % 40) for k in range(300)]
    if clock:
        assert _read(tmp_path, "upper_ms,count", rows).layout == "stamps"
    else:
        with pytest.raises(LogError):
            _read(tmp_path, "upper_ms,count", rows)


def test_a_sample_of_some_rows_has_its_own_numbers():
    """What is worked out once of the first rows is not taken for that of a part of them."""
    like = sniff("".join(f"{20 * k},{k % 7}\n" for k in range(40)), "a.csv")
    assert len(numbers(like, 1)) == 40
    some = replace(like, sample=like.sample[::4])
    assert numbers(some, 1).tolist() == [k % 7 for k in range(0, 40, 4)]
    assert len(numbers(like, 1)) == 40


def test_clock_times_between_rows_without_lengths(tmp_path):
    """Where every other row holds no lengths, the clock of those that do is theirs alone."""
    rows = []
    for k in range(60):
        rows += [f"12:30:{k * 20 // 1000:02d}.{k * 20 % 1000:03d},2.5,{3 + k % 4},"]
        rows += [f"12:30:{(k * 20 + 9) // 1000:02d}.{(k * 20 + 9) % 1000:03d},,,{k % 5}"]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["stamp,imu_ms,drive_ms,battery", *rows, ""]), encoding="utf-8")
    run = looptime.read(path, cache=False)
    assert len(run) == 59
    assert np.median(run.loop_columns.period_ns) == 20_000_000


@pytest.mark.parametrize("word", ["expected", "scheduled", "target"])
@pytest.mark.parametrize("first", [True, False])
def test_instants_that_were_planned_are_no_clock_beside_those_that_came(tmp_path, word, first):
    """Ticks of 20 ms, each met up to 3 ms late: the periods are those that came."""
    late = np.random.default_rng(3).uniform(0, 3, 80).round(3)
    came = 1000 + 20 * np.arange(80) + late
    pair = [f"{1000 + 20 * k},{at:.3f}" if first else f"{at:.3f},{1000 + 20 * k}"
            for k, at in enumerate(came)]  # fmt: skip
    header = f"{word}_ms,actual_ms" if first else f"actual_ms,{word}_ms"
    rows = "".join(f"{k},{both},{8 + k % 3}\n" for k, both in enumerate(pair))
    run = read(tmp_path, f"tick,{header},work_ms\n{rows}")
    assert periods_ms(run)[:79] == pytest.approx(np.diff(came), abs=2e-3)


@pytest.mark.parametrize("named", ["Fach ms", "hop_ms", "Abstand ms"])
def test_what_grows_with_each_of_several_parts_holds_them(tmp_path, named):
    """A loop of 1.4 +- 0.3 ms beside parts that vary no more than that: it is their whole.

    Parts that a slow processor stretches together grow with one another, and none holds the others.
    """
    rng = np.random.default_rng(8)
    parts = np.array([[2.2, 8.0, 1.5]]) + rng.normal(0, [0.08, 0.35, 0.06], (400, 3))
    whole = parts.sum(axis=1) + 1.4 + 0.3 * rng.random(400)
    rows = list(zip(whole, *parts.T, strict=True))
    run = _read(tmp_path, f"{named},gyro_ms,drive_ms,belt_ms", rows)
    assert [name.name for name in run.names] == ["gyro", "drive", "belt"]
    assert np.median(run.loop_columns.period_ns / 1e6) == pytest.approx(np.median(whole), rel=1e-3)

    slow = 1 + 0.2 * rng.random((400, 1))
    parts = np.array([[4.1, 2.2, 1.5]]) * slow + rng.normal(0, 0.05, (400, 3))
    run = _read(tmp_path, "arm_ms,gyro_ms,belt_ms", list(map(tuple, parts)))
    assert [name.name for name in run.names] == ["arm", "gyro", "belt"]


def test_lengths_with_a_unit_are_no_phases_and_a_part_that_begins_late_is_one(tmp_path):
    """What the mode costs, in us, in every row; the arm moves from the 2,000th row on alone."""
    rng = np.random.default_rng(3)
    mode, gyro, arm = rng.integers(600, 800, 3000), rng.integers(1800, 2000, 3000), np.zeros(3000)
    arm[2000:] = rng.integers(7000, 9000, 1000)
    at = np.append(0, np.cumsum(mode + gyro + arm + 300))[:-1] / 1000
    path = tmp_path / "log.csv"
    rows = zip(at, gyro, arm.astype(int), mode, strict=True)
    path.write_text("time_ms,gyro_us,arm_us,mode_us\n"
                    + "".join(",".join(map(str, row)) + "\n" for row in rows))  # fmt: skip
    run = looptime.read(path, cache=False)
    calls = run.call_columns
    took = np.bincount(calls.name, weights=calls.duration_ns)
    assert run.loop_columns.phase is None
    assert len(run) == 2999  # the last has no end
    assert {c.name: us for c, us in zip(run.names, took / 1000, strict=True)} == {
        "gyro": gyro[:-1].sum(), "arm": arm[:-1].sum(), "mode": mode[:-1].sum(),
    }  # fmt: skip


def test_a_count_that_rises_beside_the_length_of_a_loop_is_left_alone(tmp_path):
    """An encoder's ticks, of which nobody says how fast they come: `dt` says all that is asked."""
    rng = np.random.default_rng(4)
    dt = rng.normal(20, 0.4, 400).round(2)
    ticks = np.cumsum(rng.integers(0, 3, 400))
    run = _read(tmp_path, "dt,goal,ticks", np.stack([dt, np.full(400, 15.0), ticks], axis=1))
    assert len(run) == 400
    assert run.loop_columns.period_ns.sum() == round(dt.sum() * 100) * 10_000


@pytest.mark.parametrize("name", ["Beginn", "Heure", "Inicio", "Inizio", "Tijdstip", "Uhrzeit"])
def test_an_instant_in_another_language_is_the_clock(tmp_path, name):
    """Loops of 25 ms whose parts add up to their whole, none of which says a unit."""
    parts = [(1 + k % 3 / 10, 4 + k % 5 / 10) for k in range(60)]
    rows = [f"{880 + 25 * k}.0;{a};{b};{a + b:.1f}\n" for k, (a, b) in enumerate(parts)]
    run = read(tmp_path, f"{name};gyro;motors;Gesamt\n" + "".join(rows))
    assert set(periods_ms(run)) == {25.0}
