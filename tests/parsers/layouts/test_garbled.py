"""One garbled length never becomes a share of the loop, and a true stall is never taken for one."""

from types import SimpleNamespace

import numpy as np
import pytest

from looptime.parsers.layouts import garbled
from tests.parsers.build import read, self_ms

CLOCKED = "time_ms,gyro_ms,drive_ms\n"


def costs(garble=None, loops=60, step=None):
    """Loops of 20 ms with a read of 3 ms and a drive of 5 ms, loop 30 as asked."""
    rows, at = [], 0.0
    for k in range(loops):
        drive = garble if k == 30 and garble is not None else 5
        rows.append(f"{at:.3f},{3 + k % 2 / 10},{drive}\n")
        at += step if k == 30 and step is not None else 20
    return CLOCKED + "".join(rows)


@pytest.mark.parametrize("factor", [1000, 10**6, 10**12])
def test_a_part_far_longer_than_its_loop_is_set_aside(tmp_path, factor):
    """5 ms that became 5 s and more in a loop of 20 ms: the row is a corrupt stamp."""
    run = read(tmp_path, costs(5 * factor))
    assert run.set_aside.counts["corrupt stamp"] == 1
    assert set(self_ms(run)["drive"]) == {5.0}
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}


def test_a_stall_that_the_clock_confirms_stays(tmp_path):
    """A part of 5 s in a loop that took 5.02 s by the clock is a stall."""
    run = read(tmp_path, costs(5000, step=5020))
    assert "corrupt stamp" not in run.set_aside.counts
    assert max(self_ms(run)["drive"]) == 5000.0


def test_a_part_far_longer_than_the_total_is_set_aside(tmp_path):
    """Without a clock the total says what a loop can hold."""
    rows = [f"3,{5000 if k == 30 else 5},8.{k % 10}\n" for k in range(60)]
    run = read(tmp_path, "gyro_ms,drive_ms,total_ms\n" + "".join(rows))
    assert run.set_aside.counts["corrupt stamp"] == 1
    assert max(self_ms(run)["drive"]) == 5.0


@pytest.mark.parametrize(("length", "aside", "notes"), [("5e12", 1, 0), (5000, 0, 1), (90, 0, 0)])
def test_a_section_without_a_clock(tmp_path, length, aside, notes):
    """5e12 ms is no length; 5 s of a section of 5 ms may be a stall, and is told; 90 ms is one."""
    rows = []
    for k in range(60):
        rows += [f"gyro,{3 + k % 7 / 10}\n", f"drive,{length if k == 30 else 5 + k % 3 / 10}\n"]
    run = read(tmp_path, "section,duration_ms\n" + "".join(rows))
    assert run.set_aside.counts.get("corrupt stamp", 0) == aside
    assert sum("times the usual" in note for note in run.clock.notes) == notes
    assert len(run) == 60 - aside


def test_a_call_that_outlasts_the_next_of_its_name_is_set_aside(tmp_path):
    """A read of 2 ms that became 2 s, while the same read began again every 10 ms."""
    rows = []
    for k in range(60):
        rows.append(f"gyro.read,{10_000 * k},{2_000_000 if k == 30 else 2000}\n")
        rows.append(f"drive.write,{10_000 * k + 2500},3000\n")
    run = read(tmp_path, "name,start_us,duration_us\n" + "".join(rows))
    assert run.set_aside.counts["corrupt stamp"] == 1
    assert max(self_ms(run)["gyro.read"]) == 2.0


def test_a_long_call_before_a_long_pause_stays(tmp_path):
    """A read of 2 s after which the next one begins is a stall."""
    rows, at = [], 0
    for k in range(60):
        long = 2_000_000 if k == 30 else 2000
        rows += [f"gyro.read,{at},{long}\n", f"drive.write,{at + long + 500},3000\n"]
        at += long + 8000
    run = read(tmp_path, "name,start_us,duration_us\n" + "".join(rows))
    assert "corrupt stamp" not in run.set_aside.counts
    assert max(self_ms(run)["gyro.read"]) == 2000.0


def test_a_call_that_its_own_name_bounds_though_a_stall_follows(tmp_path):
    """A read of 1 ms that became 200 ms, though 60 ms later it begins again: no read of 200 ms."""
    rows, at = ["name,start_ms,duration_ms"], 0.0
    for k in range(60):
        rows += [f"gyro,{at:.3f},{200 if k == 30 else 1}", f"drive,{at + 2},{5 + 40 * (k == 30)}"]
        at += 20 + 40 * (k == 30)
    run = read(tmp_path, "\n".join(rows) + "\n")
    assert run.set_aside.counts["corrupt stamp"] == 1
    assert max(self_ms(run)["gyro"]) == 1.0


def test_long_lengths_cost_one_look_a_name(monkeypatch):
    """However many lengths are far above the usual, the rows of each name are looked at once."""
    name = np.tile(np.arange(2, dtype=np.int32), 20_000)
    length = np.full(len(name), 1e4)
    length[::2][::100] = 5e6  # 200 rows of one name far above the usual, half a step of the clock
    looked = []
    median = garbled._median
    monkeypatch.setattr(garbled, "_median", lambda of: looked.append(len(of)) or median(of))
    time = np.arange(len(name)) * 10_000_000
    table = SimpleNamespace(columns={"name": name})
    found = garbled.find_garbled(table, {"duration": length}, time)
    assert looked == [40_000, 20_000]
    assert len(found.rows) == len(found.odd) == 0


def test_a_number_for_no_value_beside_a_true_stall(tmp_path):
    """999999 us in 8 of 300 rows of loops of 10 ms is set aside; a drive of 40 ms stays."""
    rows, at = [], 0
    for k in range(300):
        drive = 999_999 if k % 40 == 7 else 40_000 if k == 150 else 1500 + k % 9
        rows.append(f"{at},{2000 + k % 7},{drive}\n")
        at += 48_000 if k == 150 else 10_000
    run = read(tmp_path, "time_us,gyro_us,drive_us\n" + "".join(rows))
    assert run.set_aside.counts["corrupt stamp"] == 8
    assert max(self_ms(run)["drive"]) == 40.0


@pytest.mark.parametrize(("count", "aside"), [(8, True), (60, False)])
def test_many_lengths_that_differ_and_cannot_be(tmp_path, count, aside):
    """Eight of 300 are set aside; of sixty nobody knows what they are, and that is said."""
    bad = {5 + 290 // count * k: 3_000_000 + 7919 * k for k in range(count)}
    rows = [f"{20_000 * k + k % 7},{2000 + k % 90},{bad.get(k, 3000 + k % 70)}" for k in range(300)]
    run = read(tmp_path, "time_us,gyro_us,drive_us\n" + "\n".join(rows) + "\n")
    assert run.set_aside.counts.get("corrupt stamp", 0) == count * aside
    said = [note for note in run.clock.notes if "longer than their loop can be" in note]
    assert [note[:2] for note in said] == ([] if aside else ["60"])
