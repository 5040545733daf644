"""Times without a unit beside a clock that counts."""

import numpy as np
import pytest

from tests.parsers.build import periods_ms, read, self_ms

#: Calls of 1, 3 and 1.5 ms one after another in each loop of 20, in counts of 10 us.
LENGTHS = {"gyro": 100, "swerve": 300, "shelf": 150}


def calls(head, ends=False):
    """The rows of 60 loops."""
    rows = []
    for k in range(60):
        start = 200_000 + 2000 * k
        for name, length in LENGTHS.items():
            rows.append(f"{start},{start + length if ends else length},0,{name}")
            start += length + k % 3
    return "\n".join([head, *rows])


@pytest.mark.parametrize(
    ("head", "ends"),
    [("start_tick,ticks,core,name", False), ("start_tick,duration_ticks,core,name", False),
     ("start,duration,core,name", False), ("start_ticks,took,core,task", False),
     ("tick,ticks,core,name", False), ("t_tick,dur_tick,core,fn", False),
     ("start_tick,end_tick,core,name", True), ("begin,end,core,name", True)],
)  # fmt: skip
@pytest.mark.parametrize("remark", ["# 1 tick = 10 us", "# timer clock 100 kHz, ticks"])
def test_a_stated_tick_holds_for_all_times_without_a_unit(tmp_path, head, ends, remark):
    """Starts, ends and lengths are in the ticks of 10 us, whichever of them are called ticks."""
    run = read(tmp_path, f"{remark}\n{calls(head, ends)}")
    assert set(periods_ms(run)) == {20.0}
    found = {name: np.mean(ms) for name, ms in self_ms(run).items()}
    assert found == pytest.approx({name: n / 100 for name, n in LENGTHS.items()})


def test_a_length_with_its_own_unit_keeps_it(tmp_path):
    """A duration that is said to be in us is no count of 10 us, nor is one with a fraction."""
    run = read(tmp_path, "# 1 tick = 10 us\n" + calls("start_tick,took_us,core,name"))
    found = {name: np.mean(ms) for name, ms in self_ms(run).items()}
    assert found == pytest.approx({name: n / 1000 for name, n in LENGTHS.items()})


def test_a_rate_in_the_header_of_the_starts_holds_for_lengths_beside(tmp_path):
    """Counts of 100 kHz by the header of the starts."""
    run = read(tmp_path, calls("start_ticks_100kHz,duration,core,name"))
    found = {name: np.mean(ms) for name, ms in self_ms(run).items()}
    assert found == pytest.approx({name: n / 100 for name, n in LENGTHS.items()})


def test_lengths_that_would_exceed_the_loop_are_no_counts(tmp_path):
    """Of loops of 5000 counts of 4 us two parts take no 2525 and 3612: they are in us."""
    text = ["# counter_hz: 250000", "ticks,gyro_dur,swerve_dur"]
    text += [f"{5000 * k},{2500 + 25 * (k % 3)},{3600 + 12 * (k % 2)}" for k in range(60)]
    found = {name: np.mean(ms) for name, ms in self_ms(read(tmp_path, "\n".join(text))).items()}
    assert found == pytest.approx({"gyro_dur": 2.525, "swerve_dur": 3.606}, abs=0.002)


def test_lengths_that_fit_into_the_loop_are_counts(tmp_path):
    """Of loops of 5000 counts of 4 us they take 500 and 900."""
    text = ["# counter_hz: 250000", "ticks,gyro_dur,swerve_dur"]
    text += [f"{5000 * k},{500 + k % 3 - 1},{900 + k % 2}" for k in range(60)]
    found = {name: np.mean(ms) for name, ms in self_ms(read(tmp_path, "\n".join(text))).items()}
    assert found == pytest.approx({"gyro_dur": 2.0, "swerve_dur": 3.6}, abs=0.01)


@pytest.mark.parametrize(
    ("column", "cell", "counts"),
    [
        ("arm_dur", lambda k: 700 + k % 5, True),
        ("arm_dur", lambda k: "" if k % 3 else 700 + k % 5, True),
        ("period", lambda k: 5000 + k % 5, True),
        ("period", lambda k: k, False),  # which it is
        ("busy_pct", lambda k: 40 + k % 5, False),
        ("arm_dur", lambda k: 2.8 + k % 3 / 10, False),  # no count has a fraction
        ("arm_dur", lambda k: "", False),
        ("arm_dur_us", lambda k: 700 + k % 5, False),
        ("encoder", lambda k: 9000 + 5001 * k, False),
        ("end", lambda k: 5700 + 5001 * k, True),
        ("end", lambda k: 10**9 + 5001 * k, False),  # of another clock
        ("lux", lambda k: 700 + k % 5, False),
    ],
)
def test_what_counts_beside_a_clock_that_does(tmp_path, column, cell, counts):
    """The gyro of 500 counts of 4 us does; what was taken so is said in a note."""
    rows = [f"{5000 * k + k % 2},{500 + k % 3},{cell(k)}" for k in range(60)]
    run = read(tmp_path, "\n".join(["# counter_hz: 250000", f"ticks,gyro_dur,{column}", *rows]))
    said = next(note for note in run.clock.notes if "counts as the clock does" in note)
    assert (repr(column) in said, "'gyro_dur'" in said) == (counts, True)
    assert np.median(self_ms(run)["gyro_dur"]) == pytest.approx(2.0, abs=0.01)


def test_calls_within_calls_may_take_longer_than_the_clock_steps(tmp_path):
    """An arm of 1500 counts of 4 us with a gyro of 700 in it, and wheels of 2200."""
    calls = ((0, 4000, "pass"), (10, 1500, "arm"), (20, 700, "gyro"), (1600, 2200, "wheels"))
    rows = [f"{5000 * k + at},{took},{name}" for k in range(60) for at, took, name in calls]
    run = read(tmp_path, "\n".join(["# 1 tick = 4 us", "start_tick,took,name", *rows]))
    found = {name: np.median(ms) for name, ms in self_ms(run).items()}
    assert found == pytest.approx({"arm": 3.2, "gyro": 2.8, "wheels": 8.8})


def test_a_clock_that_does_not_count_says_nothing_of_others(tmp_path):
    """Nor do two that count at different rates."""
    rows = [f"{10_000 * k},{900 + k % 3},{20_000 * k}" for k in range(60)]
    for head in ("t_us,imu_dur,n", "t_ticks_1MHz,imu_dur,ticks_2MHz"):
        notes = read(tmp_path, "\n".join([head, *rows])).clock.notes
        assert not any("counts as the clock does" in note for note in notes)
