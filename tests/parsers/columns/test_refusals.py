"""What is said of a log that cannot be read, and what would read it."""

import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.columns.headers import heads
from looptime.parsers.columns.refusals import no_fit
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import read, self_ms


@pytest.mark.parametrize(
    ("text", "message", "columns"),
    [
        ("0,5.1\n1,5.2\n2,5.0\n3,5.3\n", "first column counts the rows", "skip,dt"),
        ("gyro,1,2\ndrive,4,3\n", "first column holds words", "name,start_ms,duration_ms"),
        ("0,gyro,1\n5,drive,2\n20,gyro,1\n27,drive,3\n", "column 2 holds words that come and go",
         "start_ms,name,duration_ms"),
        ("".join(f"{k},{1790000000000000 + k * 10**6},{1790000000000500 + k * 10**6},500\n"
                 for k in range(9)), "first column counts the rows", "skip,start_us,end_us,skip"),
    ],
)  # fmt: skip
def test_headerless_without_a_clock(tmp_path, text, message, columns):
    """What cannot be told is asked for, with names that were tried on the log's own rows."""
    with pytest.raises(LogError, match=message) as caught:
        read(tmp_path, text)
    assert f'--columns "{columns}" it is read with each row' in str(caught.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("3,5,6\n1,4,6\n2,9,6\n0,9,9\n", "no column rises as a time does"),
        ("x,y,heading\n0.5,1.5,90\n0.4,1.2,91\n0.7,1.6,90\n", "has no time column and no duration"),
        ("-3.5\n2.5\n-1.25\n4\n", "is one number a line .* --rate-hz"),
        ("The loop felt slow in the second match today.\nWe moved the gyro to another bus.\n"
         "Nothing else was changed, but line 3 needs 1 look.\n", "is prose and no log"),
        ("time,text\n" + "".join(f"12:00:{k:02}.5,message number {k} of the day\n"
                                 for k in range(30)), "each row is a message"),
    ],
)  # fmt: skip
def test_what_leads_nowhere_is_not_suggested(tmp_path, text, message):
    """Where no naming of the columns can help, none is given, and what is missing is said."""
    with pytest.raises(LogError, match=message) as caught:
        read(tmp_path, text)
    assert '--columns "' not in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_stamp_that_is_no_number_names_no_call(tmp_path):
    """Of two columns of words it is the one whose words come again that names the calls."""
    text = "".join(
        f"[09:00:{k // 3 / 50 + k % 3 / 200:06.3f}] INFO {('gyro', 'lidar', 'motors')[k % 3]} "
        f"completed; {(2, 9, 5)[k % 3]}.5 ms\n"
        for k in range(90)
    )
    with pytest.raises(LogError) as caught:
        read(tmp_path, text)
    columns = str(caught.value).split('"')[1].replace("duration", "duration_ms")
    found = self_ms(read(tmp_path, text, columns=columns))
    assert {k: set(ms) for k, ms in found.items()} == {
        "gyro": {2.5}, "lidar": {9.5}, "motors": {5.5},
    }  # fmt: skip


def test_headerless_edges_are_read_with_the_columns_that_the_error_names(tmp_path):
    """Typing the example as it stands reads the log."""
    text = "".join(
        f"{k * 20_000},loop,begin,7\n{k * 20_000 + 10},gyro.read,begin,7\n"
        f"{k * 20_000 + 1210},gyro.read,end,7\n{k * 20_000 + 19_000},loop,end,7\n"
        for k in range(5)
    )
    with pytest.raises(LogError) as caught:
        read(tmp_path, text)
    run = read(tmp_path, text, columns=str(caught.value).split('"')[1])
    assert run.layout == "edges"
    assert self_ms(run)["gyro.read"] == [1.2] * 4


@pytest.mark.parametrize("unit", ["minute", "Hours"])
def test_a_row_each_minute_is_no_control_loop(tmp_path, unit):
    """A column of minutes is a time, but none of a control loop."""
    rows = "".join(f"{k},{12.9 - k / 100:.2f},3.9\n" for k in range(30))
    message = f"no more than a row a {unit.lower().rstrip('s')}, by its column '{unit}'"
    with pytest.raises(LogError, match=message):
        read(tmp_path, f"{unit},volt,amp\n{rows}")


def _day(k):
    return f"2026-03-{k:02}"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("tray;sown;count\n" + "".join(f"T{k};{_day(1 + 7 * k % 28)};{k % 5}\n" for k in range(28)),
         "holds no more than a row a week, by its dates: that is no control loop"),
        ("time,outdoor_c\n" + "".join(f"2026-04-01 10:{k:02},{11 + k % 2}.0\n" for k in range(59)),
         "no more than a row a minute, by its dates: that is no control loop"),
        ("".join(f"{_day(k)} radio channel {3 + k % 4}\n" for k in range(1, 29)),
         "no more than a row a day, by its dates"),
        ("".join(f"{k:02}.03.2026 belt tightened {3 + k % 4}\n" for k in range(1, 29)),
         "no more than a row a day, by its dates"),
        ("voltage,position\n" + "".join(f"{k / 100:.2f},{k * k / 1e4:.4f}\n" for k in range(60)),
         "has no time column and no duration"),
        ("import time\n\n\ndef step(now):\n    if now > 3:\n        return 0\n    wait(3.1)\n" * 9,
         "is no log but source code"),
    ],
)  # fmt: skip
def test_what_is_no_timing_log_is_not_made_one(tmp_path, text, message):
    """Dates far apart, a voltage that is swept and source code get no names that read them."""
    with pytest.raises(LogError, match=message) as caught:
        read(tmp_path, text, "notes.txt")
    assert "--columns" not in str(caught.value)
    assert "--unit" not in str(caught.value)


@pytest.mark.parametrize(("head", "told"), [("tal_ms", "time_ms"), ("tal", "time_s")])
def test_a_unit_in_the_header_stays_in_the_names_that_are_suggested(head, told):
    """Nobody is asked for the true unit of a column whose header states it."""
    rows = "".join(f"{17 + k / 50:.3f},{k % 5 - 2}\n" for k in range(40))
    like = sniff(f"{head},b\n{rows}", "a.csv")
    said = no_fit(heads(like.header), ["calls"], like, lambda _: "each row a loop", "a.csv").what
    assert f'--columns "{told},b" it is read' in said
    assert ("true unit" in said) == (head == "tal")


def test_a_histogram_is_no_log_and_gets_no_names_that_would_make_it_one(tmp_path):
    """Bins of half a millisecond and how many loops fell into each, in either order."""
    many = [0, 0, 3, 40, 212, 530, 340, 60, 11, 2, 0, 1]
    rows = [(f"{7 + 0.5 * k:.1f}", str(n)) for k, n in enumerate(many)]
    for order, header in ((1, "upto_ms,loops"), (-1, "n;width_ms")):
        mark = "," if order == 1 else ";"
        text = "".join(mark.join(row[::order]) + "\n" for row in rows)
        with pytest.raises(LogError, match="is no log of loops but counts them") as caught:
            read(tmp_path, f"{header}\n{text}")
        assert "--columns" not in str(caught.value)


def test_even_steps_alone_make_no_histogram(tmp_path):
    """A clock printed by its nominal steps, beside a value that is no count."""
    text = "".join(f"{20 * k},{100 + k % 7}\n" for k in range(40))
    with pytest.raises(LogError) as caught:
        read(tmp_path, f"zeile_x,wert\n{text}")
    assert "counts them" not in str(caught.value)


def test_a_count_beside_a_clock_in_even_steps_is_read(tmp_path):
    """How many tags were seen in each loop of 20 ms is no histogram."""
    text = "".join(f"{20 * k},{k * 7 % 4}\n" for k in range(60))
    assert len(read(tmp_path, f"time_ms,count\n{text}")) == 59


def test_messages_of_several_kinds_are_read_by_their_kind(tmp_path):
    """A capture of a bus, remarks with a star above: the step that reads each kind by itself."""
    rows = "".join(
        f"{10_000 * k + late} id={name} n={n} data={k * 40503 % 65536:04X}{name[2:]}\n"
        for k in range(40)
        for late, name, n in ((0, "0x80", 1), (1400 + k % 3, "0xD3", 4))
    )
    text = "* capture, times of the analyser\n* 0x80 is sent at the start of each loop\n" + rows
    with pytest.raises(LogError, match="column 2 holds words that come and go") as caught:
        read(tmp_path, text)
    assert '--columns "time_us,tag,skip,skip" --by tag reads each' in str(caught.value)
    path = tmp_path / "kinds.log"
    path.write_text(text, encoding="utf-8")
    log = looptime.read_log(path, columns="time_us,tag,skip,skip", by="tag", cache=False)
    assert all(set(run.loop_columns.period_ns) <= set(range(9_998_000, 10_002_001, 1000))
               for run in log.runs)  # fmt: skip
    assert len(log.runs) == 2


def test_histograms_one_below_the_other(tmp_path):
    """How often each call took up to so many ms; a log of counts at times of its own is one."""
    bins = [1, 2, 5, 10, 20, 50]
    rows = [f"{name},{le},{k * 7 % 90}\n" for name in ("gyro", "lift") for k, le in enumerate(bins)]
    with pytest.raises(LogError, match="'up_to_ms' is the same scale for each 'call' and 'count'"):
        read(tmp_path, "call,up_to_ms,count\n" + "".join(rows))
    own = [f"{name},{20 * k + at},{k % 3}\n" for at, name in enumerate(("gyro", "lift"))
           for k in range(9)]  # fmt: skip
    with pytest.raises(LogError) as caught:  # no histogram: what is missing is another thing
        read(tmp_path, "call,begin_ms,count\n" + "".join(own))
    assert "same scale" not in str(caught.value)


@pytest.mark.parametrize("form", ["{0:.3f},{1},{2}", "{3},{0:.3f},{1},{2}", "{0:.0f} {1}"])
@pytest.mark.parametrize("headed", [False, True])
def test_the_newest_row_first_is_told_with_a_header_or_without(tmp_path, form, headed):
    """That the times fall, and what to do."""
    rows = [form.format(20.0 * k + k % 3, 2 + k % 5, 7 + k % 4, k) for k in range(90)][::-1]
    names = "loop,t_ms,gyro_ms,arm_ms"
    head = {"{3}": names, "{0:.3f}": names[5:], "{0:.0f}": "t_ms gyro_ms"}
    first = [head[form.replace(" ", ",").split(",")[0]]] if headed else []
    with pytest.raises(LogError, match="fall from row to row: put the oldest row first"):
        read(tmp_path, "\n".join([*first, *rows]) + "\n")
