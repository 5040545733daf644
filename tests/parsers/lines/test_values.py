"""Logs of lines that name their values, each against figures worked out by hand."""

import json

import pytest

import looptime
from looptime.errors import LogError
from tests.parsers.build import balance, periods_ms, read, self_ms

# three loops of 20, 30 and 20 ms, and the begin of a fourth: imu, drive [ms]
ROWS = [(100, 2, 7), (120, 3, 9), (150, 2, 6), (170, 2, 7)]
PERIODS = [20.0, 30.0, 20.0]
COSTS = {"imu": [2.0, 3.0, 2.0], "drive": [7.0, 9.0, 6.0]}


def lines(pattern):
    """One line a loop."""
    return "".join(
        pattern.format(t=t, s=t / 1000, imu=imu, drive=drive, k=k) + "\n"
        for k, (t, imu, drive) in enumerate(ROWS)
    )


def check(run):
    """The four loops of `ROWS`, the last of them unfinished."""
    assert run.layout == "values"
    assert periods_ms(run) == PERIODS
    words = {name: set(name.split(".")) for name in self_ms(run)}
    found = {name: ms for key, ms in self_ms(run).items() for name in COSTS if name in words[key]}
    assert found == COSTS
    assert run.rows_read == len(ROWS)
    assert run.set_aside.counts == {"unfinished last loop": 1}


@pytest.mark.parametrize(
    "pattern",
    [
        "{t} imu={imu}ms drive={drive}ms",
        "t_ms={t}, imu_ms={imu}, drive_ms={drive}",
        "[{s:.3f}] imu: {imu} ms | drive: {drive} ms",
        "I ({t}) main: imu={imu}ms drive={drive}ms",
        "2026-03-14 10:00:00.{t} INFO main: imu={imu}ms; drive={drive}ms; mode=auto",
        "drive={drive}.0ms imu={imu}000us t={t}ms",
        "t={s:.3f}s; imu={imu},0ms; drive={drive},0ms".replace("{s:.3f}", "0,{t}"),
        "[carrier] {t} ms: imu took {imu} ms, drive took {drive} ms",
        "{t} ms: {imu} ms in imu, {drive} ms in drive",
        '{{"t_ms": {t}, "imu_ms": {imu}, "drive_ms": {drive}}}',
        '{{"time":{s},"imu":{{"us":{imu}000}},"drive":{{"us":{drive}000}},"mode":"auto"}}',
        "10:00:00.{t} -> {t} imu={imu}ms drive={drive}ms",
        "D/Carrier ( 1234): t_ms={t} imuMs={imu} driveMs={drive}",
        "loop {k}: imu {imu} ms, drive {drive} ms ({t} ms)",
        '{{"t_ms": {t}, "p": [{{"key": "imu", "ms": {imu}}}, {{"key": "drive", "ms": {drive}}}]}}',
    ],
)
def test_one_line_a_loop(tmp_path, pattern):
    """Pairs, sentences and objects in any order, under any prefix and in any unit are one log."""
    run = read(tmp_path, lines(pattern), name="log.txt")
    check(run)


def test_text_between_the_lines_is_set_aside(tmp_path):
    """A banner, a message with numbers of its own and a blank line; the lines keep their number."""
    text = "=== board v3.2, 8 nodes ===\n" + lines("{t} imu={imu}ms drive={drive}ms")
    text = text.replace("150 ", "WARN: retry 3 of 5\n\n150 ")
    run = read(tmp_path, text)
    assert periods_ms(run) == PERIODS
    assert run.rows_read == 6
    assert run.set_aside.line.tolist() == [1, 4, 7]
    assert run.set_aside.counts == {"not a row": 2, "unfinished last loop": 1}


def test_a_value_that_is_sometimes_there(tmp_path):
    """A key that first comes in the last line costs no other line anything."""
    text = lines("{t} imu={imu}ms drive={drive}ms").replace("150 ", "150 vision=4ms ")
    assert self_ms(read(tmp_path, text))["vision"] == [0.0, 0.0, 4.0]


# a value a line: each loop's parts, then its length
LONG = [(k, t + at, key, value) for k, (t, imu, drive) in enumerate(ROWS) for at, key, value in
        ((imu, "imu", imu), (imu + drive, "drive", drive), (imu + drive, "loop", imu + drive))
        ]  # fmt: skip


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


def test_seconds_and_nanoseconds_in_an_object(tmp_path):
    """``sec`` and ``nanosec`` of a stamp are one time."""
    text = "".join(
        json.dumps({"stamp": {"sec": 7 + ns // 10**9, "nanosec": ns % 10**9}, "imu_us": 9}) + "\n"
        for ns in (999_900_000, 999_961_700, 1_000_023_400, 1_000_085_100)
    )
    run = read(tmp_path, text)
    assert run.loop_columns.period_ns.tolist() == [61_700] * 3


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


def test_a_damaged_value_costs_its_loop(tmp_path):
    """A number that is none sets the lines of its row aside, and no other row's."""
    rows = [f"{t},{key}_ms,{value}" for _, t, key, value in LONG]
    rows[4] = rows[4].replace(",9", ",9x")
    run = read(tmp_path, "time_ms,key,value\n" + "\n".join(rows))
    assert run.rows_read == 12
    assert run.rows_used + len(run.set_aside) == 12


def events(pattern, words):
    """Lines of the events of each loop."""
    made = []
    for t, imu, drive in ROWS:
        at = {"0": t, "i": t + imu, "d": t + imu + drive}
        made += [pattern.format(t=at[when], word=word) for when, word in words]
    return "\n".join(made) + "\n"


@pytest.mark.parametrize("pattern", ["{t} {word}", "[{t}] INFO {word}", "{t}ms: {word}",
                                     "10:00:00.{t} -> {t} {word}", "{t},{word}"])  # fmt: skip
@pytest.mark.parametrize("words", [("loop start", "imu done", "drive done"),
                                   ("begin loop", "imu finished", "drive completed")])  # fmt: skip
def test_events_in_the_order_of_time(tmp_path, pattern, words):
    """What only ends began at the event before; the loop lasts to its last event."""
    run = read(tmp_path, events(pattern, list(zip("0id", words, strict=True))), unit="ms")
    assert run.layout == "values"
    assert periods_ms(run)[:3] == PERIODS
    assert {name: ms[:3] for name, ms in self_ms(run).items() if name != "loop"} == COSTS
    assert run.rows_read == 12


def test_events_with_both_sides(tmp_path):
    """A begin and its end are one call, whose end stands in no row of its own."""
    words = [("0", "loop start"), ("0", "imu start"), ("i", "imu end"), ("i", "drive start"),
             ("d", "drive end"), ("d", "loop end")]  # fmt: skip
    run = read(tmp_path, events("{t} {word}", words), unit="ms")
    assert {name: ms[:3] for name, ms in self_ms(run).items()} == COSTS
    assert run.rows_read == 24
    assert run.rows_used + len(run.set_aside) == 24


def test_ends_alone_name_the_time_between_two(tmp_path):
    """Without a word for begin, nobody can tell a wait from the call after it."""
    run = read(tmp_path, events("{t} {word}", [("i", "imu done"), ("d", "drive done")]), unit="ms")
    found = self_ms(run)
    assert found["imu to drive"][:3] == COSTS["drive"]
    assert "imu" not in found


@pytest.mark.parametrize(
    "text",
    [
        "The robot ran 12 loops on 3 March.\nAfter 20 minutes it stood 4 times.\nSee page 9.\n",
        "Notes\nbattery 12.1 V at start\nloops seemed slow (50 ms?)\nTODO 2 things\n",
        '{"name": "carrier",\n "loops": 3,\n "mean_ms": 20.1\n}\n',
    ],
)
def test_prose_is_no_log(tmp_path, text):
    """A sentence now and then with a number in it is refused."""
    with pytest.raises(LogError):
        read(tmp_path, text)


def test_prose_is_called_so(tmp_path):
    """Steps of an instruction come in turn and hold numbers, but each is said in its own words."""
    text = "".join(
        f"{k}. Turn the {what} by {3 * k} degrees and wait {k} s\n"
        for k, what in enumerate(("knob", "lever", "screw", "bolt", "nut"))
    )
    with pytest.raises(LogError, match="is prose and no log"):
        read(tmp_path, text)


def test_the_total_is_what_the_others_add_up_to(tmp_path):
    """A sum whose name no word list knows is the period, and a second one counts nothing twice."""
    text = "".join(
        f"--- {k} ---\nganzes: {imu + drive}.1 ms, teile: {imu + drive}.0 ms\n"
        f"  imu: {imu} ms\n  drive: {drive} ms\n"
        for k, (_, imu, drive) in enumerate(ROWS * 3)
    )
    run = read(tmp_path, text)
    assert periods_ms(run) == [imu + drive + 0.1 for _, imu, drive in ROWS * 3]
    assert set(self_ms(run)) == {"imu", "drive"}


def test_a_unit_for_a_name_is_the_time(tmp_path):
    """A key that says nothing but ``ms``, and climbs, is the clock."""
    text = "".join(json.dumps({"ms": t, "imu_us": 900}) + "\n" for t, _, _ in ROWS)
    assert periods_ms(read(tmp_path, text)) == PERIODS


def test_a_unit_in_the_name_of_an_object_is_that_of_its_values(tmp_path):
    """``parts_us`` holds microseconds."""
    text = "".join(
        json.dumps({"t_ms": t, "parts_us": {"imu": 1000 * imu, "drive": 1000 * drive}}) + "\n"
        for t, imu, drive in ROWS
    )
    found = self_ms(read(tmp_path, text))
    assert {name.rpartition(".")[2]: ms for name, ms in found.items()} == COSTS


def test_asked_for_where_nothing_fits(tmp_path):
    """The error says how such lines are written."""
    with pytest.raises(LogError, match="812 imu_ms=9"):
        read(tmp_path, "t_ms,imu\n1,2\n2,3\n", layout="values")


def test_two_sessions_keep_balanced_books(tmp_path):
    """A clock that begins anew makes two runs; every line belongs to one of them."""
    one = [f"{t},{key}_ms,{value}" for _, t, key, value in LONG]
    path = tmp_path / "log.csv"
    path.write_text("time_ms,key,value\n" + "\n".join([*one * 1, *one]))
    log = looptime.read_log(path, cache=False)
    for run in log.runs:
        balance(run)
    assert log.rows_read == 24


def test_objects_may_be_called_settings(tmp_path):
    """The ending .json is that of settings, unless a line holds an object of times."""
    text = "".join(json.dumps({"t_ms": t, "imu_ms": imu}) + "\n" for t, imu, _ in ROWS)
    assert periods_ms(read(tmp_path, text, name="log.json")) == PERIODS
    with pytest.raises(LogError, match="no log but settings"):
        read(tmp_path, "t_ms,imu\n1,2\n3,4\n5,4\n", name="log.json")


def test_objects_keep_every_digit(tmp_path):
    """Nanoseconds since 1970 in an object come through as they are written."""
    start = 1_767_225_600_123_456_789
    text = "".join(
        json.dumps({"ts_ns": start + k * 20_000_001, "imu_us": 900}) + "\n" for k in range(5)
    )
    run = read(tmp_path, text, name="log.jsonl")
    assert run.loop_columns.period_ns.tolist() == [20_000_001] * 4


def test_a_long_table_of_many_names_with_one_stamp_a_loop(tmp_path):
    """The clock may stand still for as many rows as there are names."""
    names = [f"call{k:02}_ms" for k in range(18)]
    rows = [f"{0.02 * loop:.3f},{name},{0.5 + 0.01 * k + 0.001 * (loop % 7):.3f}"
            for loop in range(1, 60) for k, name in enumerate(names)]  # fmt: skip
    run = read(tmp_path, "timestamp,key,value\n" + "\n".join(rows) + "\n")
    assert run.layout == "values"
    assert set(periods_ms(run)) == {20.0}
    assert len(run.names) == 18


def test_a_rare_call_with_both_sides_is_not_lost(tmp_path):
    """What began and ended twice in thousands of lines is a call like the others."""
    made = []
    for loop in range(900):
        words = [("imu", 0, 2), ("drive", 2, 7)] + [("flush", 7, 12)] * (loop % 400 == 399)
        made += [f"{(20 * loop + at) / 1e3:.3f} {name} {word}"
                 for name, begin, end in words for at, word in ((begin, "started"),
                                                                (end, "finished"))]  # fmt: skip
    run = read(tmp_path, "\n".join(made) + "\n")
    assert sum(self_ms(run)["flush"]) == pytest.approx(10.0)
