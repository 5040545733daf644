"""Units and ticks of clocks, instants written as text, and two clocks in one row."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.clock.unwrap import Wrapped
from looptime.parsers.columns.unit import (
    Unit,
    _since_1970,
    check_periods,
    find_unit,
    in_16_bits,
    is_plausible,
    tick_of,
    too_slow,
)
from looptime.project import LogOptions, Project
from tests.parsers.build import read
from tests.parsers.columns.build import periods, write


def stamps(tmp_path, times, header="time,heading_deg", **given):
    """A run of bare stamps with one signal."""
    rows = [(t, k % 7) for k, t in enumerate(times)]
    return looptime.read(write(tmp_path, header, rows), **given)


@pytest.mark.parametrize(
    ("header", "step", "unit", "said"),
    [
        ("time_us,x", 10_000, "us", "header"),
        ("time [ms],x", 10, "ms", "header"),
        ("t (s),x", 0.25, "s", "header"),
        ("time,x", 15_000_000, "ns", "inferred"),
        ("time,x", 15_000, "us", "inferred"),
        ("time,x", 15, "ms", "inferred"),
        ("time,x", 0.015, "s", "inferred"),
    ],
)
def test_unit_from_header_or_inferred(tmp_path, header, step, unit, said):
    """The header's unit is taken; without one, the only unit that makes a loop's period."""
    run = stamps(tmp_path, [round(5 + k * step, 6) for k in range(20)], header)
    assert run.clock.unit == unit
    assert run.clock.unit_from.startswith(said)
    if said == "inferred":
        assert f"{step:g}" in run.clock.unit_from


def test_header_that_lies_about_its_unit(tmp_path):
    """A time_us column that holds seconds is asked about, and --unit settles it."""
    times = [round(10 + 0.02 * k, 3) for k in range(50)]
    with pytest.raises(LogError, match="--unit s would make it 20 ms"):
        stamps(tmp_path, times, "time_us,x")
    run = stamps(tmp_path, times, "time_us,x", unit="s")
    assert set(periods(run)) == {20.0}
    assert "in s as --unit says, where the header says us" in run.clock.limits
    agreed = stamps(tmp_path, times, "time_s,x", unit="s")
    assert not any("--unit" in one for one in agreed.clock.limits)


def test_dates_in_a_unit_in_which_they_fit_no_clock(tmp_path):
    """Milliseconds since 1970, called seconds: the year 53,000,000 is none of a log."""
    times = [1_700_000_000_000 + 20 * k for k in range(50)]
    with pytest.raises(LogError, match="in s that is no time of a log: --unit says another"):
        stamps(tmp_path, times, "timestamp,x", unit="s")


def test_header_that_lies_in_a_log_of_calls(tmp_path):
    """The same holds for timed calls: their loops are judged once they are found."""
    rows = []
    for k in range(50):
        rows += [("gyro.read", round(0.02 * k, 3), 0.002)]
        rows += [("drive.write", round(0.02 * k + 0.005, 3), 0.001)]
    path = write(tmp_path, "name,start_us,duration_us", rows)
    with pytest.raises(LogError, match="--unit"):
        looptime.read(path)
    assert set(periods(looptime.read(path, unit="s"))) == {20.0}


@pytest.mark.parametrize(
    ("form", "zone"),
    [
        ("2026-03-01T{}Z", 0),
        ("2026-03-01 {}", 0),
        ("2026-03-01T{}+02:00", 2),
        ("2026-03-01T{}-0530", -5.5),
    ],
)
def test_dates_with_and_without_zone(tmp_path, form, zone):
    """Dates become nanoseconds since 1970 in UTC; a date without zone is taken as it stands."""
    times = [form.format(f"10:00:{0.02 * k:012.9f}") for k in range(20)]
    run = stamps(tmp_path, times)
    assert set(periods(run)) == {20.0}
    # 2026-03-01 is day 20 513 since 1970-01-01
    assert run.loop_columns.start_ns[0] == round((20_513 * 24 + 10 - zone) * 3600) * 10**9
    assert run.clock.unit == "date-time"


def test_dates_across_a_new_year(tmp_path):
    """A run goes on over the turn of a year; a day that is in no calendar is set aside."""
    times = ["2027-12-31T23:59:59.98Z", "2027-12-31T23:59:59.99Z", "2028-01-01T00:00:00Z",
             "2028-01-01T00:00:00.010Z", "2028-02-30T00:00:00Z"]  # fmt: skip
    run = stamps(tmp_path, times)
    assert periods(run) == [10.0] * 3
    assert run.set_aside.counts["unreadable number"] == 1


def test_times_of_day(tmp_path):
    """Times of day with any number of decimals."""
    run = stamps(tmp_path, ["9:15:00", "9:15:00.02", "9:15:00.04", "9:15:00.0600005"])
    assert run.loop_columns.start_ns[0] == (9 * 3600 + 15 * 60) * 10**9
    assert run.loop_columns.period_ns.tolist() == [20_000_000, 20_000_000, 20_000_500]


def test_calls_between_dates(tmp_path):
    """Timed calls whose starts and ends are dates, and whose durations are not asked for."""
    rows = []
    for k in range(9):
        at = 0.02 * k
        rows.append((f"2026-03-01T10:00:{at:09.6f}Z", "gyro.read", 2.5))
        rows.append((f"2026-03-01T10:00:{at + 0.01:09.6f}Z", "drive.write", 0.5))
    run = looptime.read(write(tmp_path, "start,name,duration_ms", rows))
    assert set(periods(run)) == {20.0}
    assert set(run.call_columns.duration_ns.tolist()) == {2_500_000, 500_000}


@pytest.mark.parametrize(
    ("scale", "digits", "unit"), [(10**9, 9, "s"), (10**6, 6, "ms"), (10**3, 3, "us"), (1, 0, "ns")]
)
def test_epochs_keep_every_nanosecond(tmp_path, scale, digits, unit):
    """Times since 1970 in any unit lose nothing, though a double would be off by 200 ns."""
    true = 1_767_225_600_123_456_789 + np.cumsum(
        np.random.default_rng(21).integers(19_000_000, 21_000_000, 30)
    )
    texts = [f"{t // scale}.{t % scale:0{digits}d}" if digits else str(t) for t in true.tolist()]
    run = stamps(tmp_path, texts)
    assert run.loop_columns.start_ns.tolist() == true[:-1].tolist()
    assert run.clock.unit == unit
    assert "since 1970" in run.clock.unit_from


def test_whole_seconds_since_1970(tmp_path):
    """Stamps of whole seconds are dates by their size, though steps of 1 might be milliseconds."""
    times = [1_767_225_600 + k // 4 for k in range(60)]
    run = stamps(tmp_path, times)
    assert run.clock.unit == "s"
    assert run.clock.tick_ns == 10**9
    assert any("single loops is not known" in note for note in run.clock.notes)


def test_float32_seconds(tmp_path):
    """Seconds kept in 32 bits after 2 h 47 min step by 2^-10 s, 9.8 % of a loop of 10 ms."""
    exact = 10_000 + np.cumsum(np.random.default_rng(21).uniform(0.0085, 0.0105, 200))
    run = stamps(tmp_path, [f"{t:.7f}" for t in exact.astype(np.float32).astype(float)], "time_s,x")
    assert run.clock.tick_ns == 976_562
    assert any("32-bit floats" in note for note in run.clock.notes)
    finer = stamps(tmp_path, [f"{t:.7f}" for t in exact], "time_s,x")
    assert finer.clock.tick_ns < 1000
    assert finer.clock.notes == ()


@pytest.mark.parametrize(("tick", "told"), [(1, False), (4, True)])
def test_tick_is_measured(tmp_path, tick, told):
    """The clock's smallest step is measured; one coarser than a tenth of the period is told."""
    times = np.cumsum(np.random.default_rng(21).integers(16 // tick, 28 // tick, 300)) * tick
    run = stamps(tmp_path, times, "time_ms,x")
    assert run.clock.tick_ns == tick * 10**6
    assert bool(run.clock.notes) == told


@pytest.mark.parametrize(
    ("median_ns", "refused"),
    [(3_000, True), (6_000, False), (19_000_000_000, False), (21_000_000_000, True), (0, False)],
)
def test_a_header_is_believed_a_little_beyond_what_a_loop_can_last(median_ns, refused):
    """From a quarter of 20 us to four times 5 s."""
    said = Unit("us", 1000, "header")
    if refused:
        with pytest.raises(LogError, match="say which with --unit"):
            check_periods(median_ns, said, "a.csv")
    else:
        check_periods(median_ns, said, "a.csv")
    check_periods(median_ns, Unit("us", 1000, "option"), "a.csv")


@pytest.mark.parametrize(
    ("steps", "tick"),
    [([20_000, 20_000, 40_000], 1_000), ([20_000, 30_000, 40_000, 70_000], 10_000)],
)
def test_steps_of_two_sizes_say_nothing_of_the_clock(steps, tick):
    """A loop that skips slots has round steps on a fine clock; three sizes show the tick."""
    times = np.cumsum([0, *steps * 5]).astype(np.int64)
    assert tick_of(times, 1_000) == tick


@pytest.mark.parametrize(("start", "unit"), [(1_750_000_000.0, "s"), (250_000_000.0, None)])
def test_counts_since_1970_are_of_this_century(start, unit):
    """1.75e9 s is a day in 2025, 2.5e8 s would be one in 1977: some other counter."""
    values = start + 0.02 * np.arange(50)
    found = _since_1970(values, np.diff(values))
    assert (None if found is None else found.name) == unit


def test_a_sixteen_bit_counter_is_told_at_any_step():
    """Steps of about half the range: taken modulo half of it they would fall apart."""
    rng = np.random.default_rng(3)
    count = np.cumsum(rng.integers(32_000, 33_600, 400))
    assert in_16_bits((count % 2**16).astype(float))
    assert not in_16_bits(rng.uniform(0, 65_000, 400))


def test_a_wrap_within_a_row_is_undone_and_a_small_step_back_is_not():
    """The second instant of a loop lies beyond the wrap; that of another is a little early."""
    found = Wrapped(np.array([0, 1]), np.array([900, 1500]), 1000, 600.0, [])
    assert found.undone(np.array([20, 480])).tolist() == [1020, 1480]


def test_the_option_outranks_the_project_file(tmp_path):
    """A unit asked for on the spot holds against the one that the project states."""
    path = write(tmp_path, "time,heading_deg", [(k * 10_000, k) for k in range(5)])
    stated = Project(log=LogOptions(unit="ms"))
    asked = looptime.read(path, project=stated, unit="us")
    assert (asked.clock.unit, asked.clock.unit_from) == ("us", "option")
    assert asked.loop_columns.period_ns.tolist() == [10_000_000] * 4
    plain = looptime.read(path, project=Project(log=LogOptions(unit="us")))
    assert (plain.clock.unit, plain.clock.unit_from) == ("us", "project")


def test_seconds_or_milliseconds_are_asked_where_both_are_loops(tmp_path):
    """Steps of 0.5 are 1,961 loops a second or 1.96: the caller says which."""
    times = [k * 0.5 + k % 3 * 0.01 for k in range(40)]
    with pytest.raises(LogError, match=r"1961 a second.*--unit ms or --unit s"):
        stamps(tmp_path, times)
    assert stamps(tmp_path, times, unit="s").clock.unit == "s"


def test_steps_that_fit_no_usual_loop_but_one_unit_are_read_in_it():
    """Steps of 2 are no usual loop in any unit but s and ms; of 0.3 us there is none at all."""
    assert find_unit(None, None, "option", np.full(9, 0.00009), "a.csv").name == "s"
    with pytest.raises(LogError, match="no unit"):
        find_unit(None, None, "option", np.full(9, 1e-9), "a.csv")


def test_one_stamp_too_late_leaves_a_loop_shorter_than_its_parts(tmp_path):
    """A stamp that is 8 ms late is told with its line and by how much the parts are longer."""
    draw = np.random.default_rng(31)
    parts = draw.integers(3000, 4000, (60, 3))
    start = np.concatenate([[0], np.cumsum(parts.sum(axis=1) + 200)[:-1]])
    late = start.copy()
    late[30] += 8000
    rows = np.column_stack([late, parts])
    text = "time_us,gyro_us,drive_us,arm_us\n" + "".join(
        ",".join(map(str, row)) + "\n" for row in rows.tolist()
    )
    run = read(tmp_path, text)
    assert [note for note in run.clock.notes if "shorter than the parts" in note] == [
        "1 loop is shorter than the parts together, the first at line 32 by 7.8 ms: a stamp there "
        "or on the next row is wrong"
    ]
    sound = text.replace(f"\n{late[30]},", f"\n{start[30]},")
    assert read(tmp_path, sound, "sound.csv").clock.notes == ()


@pytest.mark.parametrize(
    ("steps", "tick"),
    [([10, 20, 30], 10_000_000), ([10, 20, 20], 1_000), ([10, 20, 33], 1_000_000)],
)
def test_three_sizes_of_steps_show_a_tick_above_the_unit(steps, tick):
    """Steps in ms on a clock printed in us: the greatest that divides three of them."""
    times = 1_000_000 * np.cumsum([0, *steps])
    assert tick_of(times, 1_000) == tick


@pytest.mark.parametrize(
    ("step", "ns", "plausible"),
    [(5, 1_000, True), (4.9, 1_000, False), (20, 10**9, True), (30, 10**9, False)],
)
def test_loops_last_from_5_us_to_20_s(step, ns, plausible):
    """A quarter of what a loop can last, and four times as much."""
    assert is_plausible(np.full(9, step, float), ns) is plausible


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(60, "a minute"), (65, "a minute"), (70, "every 70 s"), (3600, "an hour"),
     (86_400, "a day"), (2 * 86_400, "every 2 days"), (7 * 86_400, "a week")],
)  # fmt: skip
def test_how_far_rows_lie_apart_is_told_in_words(seconds, said):
    """To within a tenth of minutes, hours, days and weeks; else in seconds or days."""
    assert too_slow(seconds * 1e9).startswith(f"holds no more than a row {said}, by its dates")


@pytest.mark.parametrize(
    ("count", "most", "spread", "told"),
    [(400, 2**16, 3000, True), (400, 2**16, 20_000, False), (400, 2**17, 3000, False),
     (10, 2**16, 0, True), (9, 2**16, 0, False)],
)  # fmt: skip
def test_a_counter_of_sixteen_bits_goes_on_by_much_the_same(count, most, spread, told):
    """Up to 65,535 of ten values, steps that vary by less than a fifth of what the values do."""
    rng = np.random.default_rng(4)
    steps = 20_021 + rng.integers(0, spread + 1, count)
    assert in_16_bits((np.cumsum(steps) % most).astype(float)) is told
