"""Lines of one value each, folded to a row a loop."""

import numpy as np
import pytest

from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.lines.build import COSTS, LONG, PERIODS, ROWS


@pytest.mark.parametrize(
    ("header", "pattern"),
    [
        ("time_ms,key,value\n", "{t},{key}_ms,{value}"),
        ("signal;number;timestamp_ms\n", "{key}_ms;{value};{t}"),
        ("t_ms,what,unit,val\n", "{t},{key},us,{value}000"),
        ("", "{t},{key}_ms,{value}"),
        ("", "{t} {key}_ms {value}"),
        ("", "[{t}] {key} took {value} ms"),
        ("", '{{"ts_ms":{t},"key":"{key}_ms","value":{value}}}'),
        ("", '{{"ts_ms":{t},"{key}_ms":{value}}}'),
        ("", "10:00:00.{t} -> {t},{key}_ms,{value}"),
        ("t;key;value\n", "0,{t};{key}_ms;{value},0"),
    ],
)
def test_one_value_a_line(tmp_path, header, pattern):
    """Loops end with the line of their length, which stamps them; every line is in a row."""
    rows = [pattern.format(t=t, key=key, value=value) for _, t, key, value in LONG]
    run = read(tmp_path, header + "\n".join(rows))
    assert run.layout == "values"
    # the loops are over after 109, 132, 158 and 179 ms
    assert periods_ms(run) == [23.0, 26.0, 21.0]
    assert {name.partition("_")[0]: ms for name, ms in self_ms(run).items()} == COSTS
    assert run.rows_read == 12
    assert run.set_aside.counts == {"unfinished last loop": 3}


def test_a_column_of_loop_numbers_folds_a_long_table(tmp_path):
    """The lines of one number are a loop, stamped by the last of its lengths."""
    rows = [f"{k},{t},{key}_ms,{value}" for k, t, key, value in LONG if key != "loop"]
    run = read(tmp_path, "loop,time_ms,key,value\n" + "\n".join(rows))
    assert periods_ms(run) == [23.0, 26.0, 21.0]
    assert self_ms(run) == COSTS
    assert run.loop_columns.loop.tolist() == [0, 1, 2]


def test_a_loop_number_leads_and_lengths_add_up(tmp_path):
    """What precedes the first loop number is before the first loop; two reads of one loop add."""
    rows = ["95,imu_ms,4"]
    for k, (t, imu, drive) in enumerate(ROWS):
        rows += [f"{t},loop,{k}", f"{t},imu_ms,{imu / 2}", f"{t + 1},imu_ms,{imu / 2}"]
        rows += [f"{t + 2},drive_ms,{drive}", f"{t + 3},yaw,{k}", f"{t + 4},yaw,{k + 0.5}"]
    run = read(tmp_path, "time_ms,name,reading\n" + "\n".join(rows))
    assert periods_ms(run) == PERIODS
    assert self_ms(run) == {"imu": COSTS["imu"], "drive": COSTS["drive"]}
    assert run.signals.values["heading_deg"].tolist() == [0.5, 1.5, 2.5]
    assert run.set_aside.counts == {"before first loop": 1, "unfinished last loop": 6}
    assert run.rows_read == 25


def test_a_long_table_of_many_names_with_one_stamp_a_loop(tmp_path):
    """The clock may stand still for as many rows as there are names."""
    names = [f"call{k:02}_ms" for k in range(18)]
    rows = [f"{0.02 * loop:.3f},{name},{0.5 + 0.01 * k + 0.001 * (loop % 7):.3f}"
            for loop in range(1, 60) for k, name in enumerate(names)]  # fmt: skip
    run = read(tmp_path, "timestamp,key,value\n" + "\n".join(rows) + "\n")
    assert run.layout == "values"
    assert set(periods_ms(run)) == {20.0}
    assert len(run.names) == 18


def _long(loops, twice=(), stuck=range(0), keys=("imu_ms", "drive_ms")):
    """Loops of 20 ms as times, keys and values; lengths differ from loop to loop."""
    rows = []
    for k in range(loops):
        t = 20 * (stuck.start if k in stuck else k)
        for at, key in enumerate(keys):
            rows += [f"{t},{key},{2 + at + k % 3}"] * (1 + ((k, at) in twice))
    return "time_ms,key,value\n" + "\n".join(rows) + "\n"


@pytest.mark.parametrize("share", [1, 2, 5])
def test_lines_written_twice_count_once(tmp_path, share):
    """All lines, every second or every fifth: the figures are those of the log without them."""
    twice = {(k, at) for k in range(30) for at in (0, 1) if (2 * k + at) % share == 0}
    once, run = read(tmp_path, _long(30)), read(tmp_path, _long(30, twice))
    assert periods_ms(run) == periods_ms(once)
    assert self_ms(run) == self_ms(once)
    assert run.set_aside.counts["duplicate row"] == len(twice)


def test_loops_under_a_clock_that_stands_still_are_not_added_up(tmp_path):
    """Ten loops with one stamp are ten loops, whose length is not known."""
    run = read(tmp_path, _long(60, stuck=range(20, 30)))
    assert max(periods_ms(run)) == 20.0
    assert max(max(ms) for ms in self_ms(run).values()) == 5.0
    assert any("the clock stood still" in note for note in run.clock.notes)


def test_a_key_spelled_otherwise_half_way_is_the_same(tmp_path):
    """`Drive read` from one line on goes into the column of `drive_read`."""
    text = _long(40, keys=("imu_ms", "drive_read_ms"))
    lines = text.split("\n")
    late = [line.replace("drive_read", "Drive read") for line in lines[41:]]
    run = read(tmp_path, "\n".join([*lines[:41], *late]))
    assert [name.name for name in run.names] == ["imu", "drive_read"]
    assert any("is written 'Drive read" in note for note in run.clock.notes)


def test_keys_of_one_half_only_are_told(tmp_path):
    """Another program's values behind the first one's: no row holds the first ones any more."""
    first, late = _long(30), _long(60, keys=("arm_ms", "lift_ms")).split("\n")[61:]
    run = read(tmp_path, first + "\n".join(late))
    assert "no row holds a value of imu after line 61: two programs in one log?" in run.clock.notes
    assert any("lift before line 63" in note for note in run.clock.notes)


@pytest.mark.parametrize("word", ["pass {} begins", "starting round {}", "sweep {} started"])
def test_a_loop_lasts_from_line_to_line_that_says_that_it_began(tmp_path, word):
    """A long last part falls into the loop that it delays, whatever the loop is called."""
    rng = np.random.default_rng(2)
    long = rng.random(300) < 0.05
    starts = np.cumsum(np.append(0, np.where(long, 48.0, 25.0)))[:-1]
    lines = []
    for k, (at, late) in enumerate(zip(starts, long, strict=True)):
        lines.append(f"[{at:.1f}] INFO loop - {word.format(k + 7)}")
        took = 3.1, 40.0 if late else 1.0
        lines.append(f"[{at + took[0]:.1f}] DEBUG loop - gantry took {took[0]:.2f} ms")
        lines.append(f"[{at + sum(took):.1f}] DEBUG loop - screen took {took[1]:.2f} ms")
    lines.insert(40, lines[40].split("]")[0] + "] WARN net - client 7 back")
    run = read(tmp_path, "\n".join(lines) + "\n", unit="ms")
    assert np.allclose(run.loop_columns.period_ns / 1e6, np.diff(starts), atol=0.11)


def test_a_line_lost_between_two_loops_is_told(tmp_path):
    """Two loops run into one hold the lengths of both: said, with the line at which they begin."""
    lines = [
        f"[{8000 * k + 2000 * j} us] part{j}: {1900 + k * 37 % 97} us"
        for k in range(80)
        for j in range(4)
    ]
    whole = read(tmp_path, "\n".join(lines) + "\n").clock.notes
    del lines[160]
    said = "1 loop lacks or repeats what nearly all hold once, the first at line 157"
    assert [note for note in read(tmp_path, "\n".join(lines) + "\n").clock.notes if said in note]
    assert not [note for note in whole if "lacks or repeats" in note]


@pytest.mark.parametrize(
    ("mark", "parts", "step"),
    [("Base/Passes", ("Belt/ms", "Grip/ms"), 20), ("sys.k", ("lift ms", "imu ms", "eye ms"), 10)],
)
def test_a_count_of_loops_under_any_name_begins_each(tmp_path, mark, parts, step):
    """Loops of 20 or 10 ms by a count, and lengths in two loops of three at a time of their own."""
    rows = []
    for k in range(600):
        rows.append(f"{step * k:.2f},{mark},{k}\n")
        rows += [f"{step * k + 4.3 + k % 3 / 10:.2f},{part},{1.4 + (k * 7 + n) % 5 / 10:.1f}\n"
                 for n, part in enumerate(parts) if (k + n) % 3]  # fmt: skip
    run = read(tmp_path, "ms,name,value\n" + "".join(rows))
    assert len(run) == 599
    assert np.allclose(periods_ms(run), step)


@pytest.mark.parametrize("at_end", [True, False])
def test_lines_stamped_when_their_length_began(tmp_path, at_end):
    """A call a line, with its begin or its end: the same loops, nothing outside of the calls."""
    draw, now, rows = np.random.default_rng(3), 0.0, []
    for _ in range(60):
        for name, usual in (("eye", 3.5), ("belt", 5.0), ("wheel", 4.0)):
            took = round(usual * float(draw.lognormal(0, 0.05)), 3)
            rows.append(f"[{(now + at_end * took) / 1000:9.6f}] {name} took {took:.3f} ms")
            now += took
    run = read(tmp_path, "\n".join(rows) + "\n", "calls.log")
    inside = sum(np.array(ms) for ms in self_ms(run).values())
    assert inside == pytest.approx(np.array(periods_ms(run)), abs=0.01)
    assert len(run) == 59


def test_a_loop_whose_last_line_lost_its_instant_is_told(tmp_path):
    """Thirty loops of 10 ms; lines 6 and 60 end theirs, and the clock of one is gone."""
    rows = [f"[{10 * k + 3 * j} ms] {name}: {2 + (k + j) % 3} ms" for k in range(30)
            for j, name in enumerate(("gyro.read", "belt.read", "drive.write"), 1)]  # fmt: skip
    assert not any(
        "lacks its instant" in note for note in read(tmp_path, "\n".join(rows)).clock.notes
    )
    rows[5] = rows[5].replace(rows[5].split(" ms]")[0], "[####")
    told = [n for n in read(tmp_path, "\n".join(rows)).clock.notes if "lacks its instant" in n]
    assert told[0].startswith("1 loop, the first at line 6: the last line lacks its instant")
