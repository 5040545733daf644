"""Rows that are calls, or begins and ends of calls, under headers and words that nobody knows."""

import json

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.columns.headers import heads
from looptime.parsers.layouts.by_values import fit_of, names_of, threads_of
from looptime.parsers.layouts.calls_by_values import call_columns
from looptime.parsers.layouts.edges_by_values import edge_columns
from looptime.parsers.text.dialect import Dialect
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import periods_ms, read, self_ms

#: A loop of 20 ms, its calls with start and length [ms]; the second holds the third, the last
#: varies by a little.
CALLS = [("loop", 0, 18), ("drive", 1, 8), ("encoder", 2, 2), ("arm", 9, 8)]
SELF = {"drive": 6.0, "encoder": 2.0}


def calls(loops=40, scope=True):
    """Name, start and end [ms] of the calls, an outer one before what lies in it."""
    return [(name, 20 * k + at, 20 * k + at + long + (name == "arm") * k % 4 / 8)
            for k in range(loops) for name, at, long in CALLS[0 if scope else 1:]]  # fmt: skip


def edges(rows, words):
    """Time [ms], name and word of the begins and ends, in their order."""
    both = [(t, way, name) for name, *ends in rows for way, t in enumerate(ends)]
    return [(t, name, words[way]) for t, way, name in sorted(both, key=lambda row: row[0])]


def check(run):
    """The loops and self times of `CALLS`."""
    assert set(periods_ms(run)) == {20.0}
    found = self_ms(run)
    assert {name: set(found[name][1:]) for name in SELF} == {n: {ms} for n, ms in SELF.items()}


@pytest.mark.parametrize("scope", [True, False])
@pytest.mark.parametrize("header", ["stempel_ms;abschnitt;ereignis", "uhr_ms;was_lief;name"])
def test_words_that_open_and_close_are_begin_and_end(tmp_path, header, scope):
    """Two words that lie within each other name by name are edges, in any language."""
    rows = edges(calls(scope=scope), ("anfang", "ende"))
    text = "".join(f"{t};{name};{word}\n" for t, name, word in rows)
    run = read(tmp_path, f"{header}\n{text}")
    assert run.layout == "edges"
    assert "'anfang' is taken for begin and 'ende' for end" in " ".join(run.clock.notes)
    check(run)


def test_begin_is_told_where_the_log_starts_within_a_call(tmp_path):
    """The word that comes first is that of an end: what lies within what tells all the same."""
    rows = edges(calls(scope=False), ("prima", "dopo"))[2:]
    run = read(tmp_path, "ms,zona,lato\n" + "".join(f"{t},{n},{w}\n" for t, n, w in rows))
    assert self_ms(run)["arm"][1] == 8.125
    assert run.set_aside.counts["end without begin"] == 2


def test_edges_of_two_threads_as_objects(tmp_path):
    """Calls of another thread cut across the loop's: the column that parts them is the thread."""
    beside = [("frame", 7 + 33 * k, 7 + 33 * k + 15) for k in range(24)]
    rows = [(*row, "ctl") for row in edges(calls(), "BE")]
    rows += [(*row, "cam") for row in edges(beside, "BE")]
    lines = [json.dumps({"at_ms": t, "scope": name, "ph": word, "lane": lane})
             for t, name, word, lane in sorted(rows, key=lambda row: row[0])]  # fmt: skip
    run = read(tmp_path, "\n".join(lines) + "\n", "log.jsonl")
    check(run)
    assert "frame" in [name.name for name in run.names]


def test_names_and_sides_may_be_numbers(tmp_path):
    """Small boards write numbers for both."""
    number = {name: at + 5 for at, (name, *_) in enumerate(CALLS)}
    rows = edges(calls(), (1, 2))
    text = "".join(f"{1000 * t:.0f},{number[name]},{side}\n" for t, name, side in rows)
    run = read(tmp_path, f"t_us,probe,way\n{text}")
    assert set(self_ms(run)["7"]) == {2.0}


def layouts(tmp_path, text):
    """Layouts of the runs of a log, or that it was refused as one of several senders."""
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    try:
        return {run.layout for run in looptime.read_log(path).runs}
    except LogError as error:
        return {"senders" if "senders" in error.what else error.what}


def switches(crossing):
    """Contacts that go up and down by themselves: one after the other, or across each other."""
    rng = np.random.default_rng(3)
    rows, at = [], 0
    for _ in range(60):
        for name in ("low", "high"):
            at += int(rng.integers(200, 300))
            rows.append((name, at, at + 700 if crossing else at + 90))
            at += 0 if crossing else 90
    return rows


@pytest.mark.parametrize("crossing", [False, True])
def test_contacts_that_open_and_close_are_no_calls(tmp_path, crossing):
    """What opens and closes cuts across its like, or leaves long gaps: it stays refused."""
    rows = edges(switches(crossing), ("pressed", "released"))
    text = "".join(f"{t},{name},{word}\n" for t, name, word in rows)
    assert not layouts(tmp_path, f"t_ms,limit,contact\n{text}") & {"calls", "edges"}


def timed(rows, at=1, scale=1000):
    """Rows of name, an instant (0 the start, 1 the end) and length."""
    return [
        (name, int(scale * (start, end)[at]), int(scale * (end - start)))
        for name, start, end in rows
    ]


@pytest.mark.parametrize("header", ["tick_us,routine,len_us", "nano,fn,dur_nano"])
def test_rows_that_last_up_to_the_next_are_calls(tmp_path, header):
    """A call made again and again in some loops makes no loop of each row: 9 or 39 ms."""
    rows, at, scale = [], 0, 1_000_000 if "nano" in header else 1000
    for k in range(200):
        again = 6 if k % 20 == 7 else 0
        for name, ms in [("drive", 4), *again * [("lift_again", 5)], ("arm", 3), ("imu", 2)]:
            rows.append(f"{at * scale},{name},{ms * scale}\n")
            at += ms
    run = read(tmp_path, f"{header}\n" + "".join(rows))
    assert run.layout == "calls"
    assert len(run) == 199
    assert "rows are taken for calls" in " ".join(run.clock.notes)
    assert sorted(set(periods_ms(run))) == [9.0, 39.0]
    assert self_ms(run)["lift_again"].count(30.0) == 10


@pytest.mark.parametrize("header", ["finished_us,scope,spent_us", "ende_us,block,dauer_us"])
@pytest.mark.parametrize("scope", [True, False])
def test_rows_written_as_their_calls_end(tmp_path, header, scope):
    """Stamps that equal an earlier one and the length are ends, whatever they are called."""
    rows = sorted(calls(scope=scope), key=lambda row: (row[2], -row[1]))
    text = "".join(f"{end},{name},{long}\n" for name, end, long in timed(rows))
    run = read(tmp_path, f"{header}\n{text}")
    assert run.layout == "calls"
    check(run)


def test_calls_as_objects_keep_what_lies_within_them(tmp_path):
    """One object a call is no table of values: what it holds is not added to what it lies in."""
    lines = [json.dumps({"us": at, "zone": name, "spent_us": long})
             for name, at, long in timed(calls(), 0)]  # fmt: skip
    check(read(tmp_path, "\n".join(lines) + "\n", "log.jsonl"))


def test_two_instants_a_row_are_start_and_end(tmp_path):
    """Both columns rise and the second is never before the first."""
    text = "".join(f"{start * 1000},{end * 1000:.0f},{name}\n" for name, start, end in calls())
    check(read(tmp_path, f"von_us,bis_us,teil\n{text}"))


@pytest.mark.parametrize(
    ("header", "words"), [("t_us,state,loop_us", 3), ("t_us,eye,dt_us", 2), ("t_us,mode,us", 3)]
)
def test_states_of_a_loop_are_no_calls(tmp_path, header, words):
    """One row a loop with a state that changes each time, and how long the loop took."""
    rng = np.random.default_rng(5)
    long = rng.integers(8000, 9000, 300)
    rows = enumerate(zip(np.cumsum(long) - long, long, strict=True))
    text = "".join(f"{t},{'abc'[k % words]},{d}\n" for k, (t, d) in rows)
    assert not layouts(tmp_path, f"{header}\n{text}") & {"calls", "edges"}


def test_values_printed_together_are_no_calls(tmp_path):
    """A table of values whose rows are stamped when they are printed, all at once."""
    rows = "".join(f"{t + 20 * k},{name},{us}\n" for t in range(0, 800_000, 10_000)
                   for k, (name, us) in enumerate((("imu", 2000), ("drive", 4000 + t % 7000),
                                                    ("loop", 9000))))  # fmt: skip
    assert read(tmp_path, f"t_us,what,us\n{rows}").layout == "values"


@pytest.mark.parametrize("header", ["nano,fn,dur_nano", "when_us,krok,czas_us"])
def test_calls_far_apart_come_in_an_order(tmp_path, header):
    """Three short calls in a loop of 20 ms: their order and a length tell, gaps or not."""
    rng = np.random.default_rng(2)
    scale = 1000 if "nano" in header else 1
    rows = "".join(f"{(20_000 * k + at) * scale},{name},{int(us) * scale}\n" for k in range(60)
                   for at, name, us in zip((0, 5000, 9000), ("imu", "enc", "arm"),
                                           rng.integers(250, 450, 3), strict=True))  # fmt: skip
    run = read(tmp_path, f"{header}\n{rows}")
    assert run.layout == "calls"
    assert set(periods_ms(run)) == {20.0}


def test_calls_in_whole_milliseconds(tmp_path):
    """Starts and lengths that are rounded each may overlap by a tick."""
    rng = np.random.default_rng(4)
    rows, at = [], 0.0
    for _ in range(200):
        for name, ms in zip(("imu", "drive", "arm"), rng.uniform((2, 4, 3), (3, 5, 4)),
                            strict=True):  # fmt: skip
            rows.append(f"{at:.0f},{name},{ms:.0f}\n")
            at += ms + 0.02
    run = read(tmp_path, "ms,fn,dur_ms\n" + "".join(rows))
    assert len(run) == 199
    assert np.mean(periods_ms(run)) == pytest.approx(at / 200, rel=0.01)


def test_a_wide_log_of_loops_is_not_tried_in_every_way():
    """Of dozens of columns that are no names and no edges none is tried with every other."""
    rng = np.random.default_rng(6)
    header = ["t_us", "mode", *(f"flag{k}" for k in range(20)), *(f"id{k}" for k in range(20))]
    rows = [[9000 * k, "ab"[k // 30], *rng.integers(0, 2, 20), *rng.integers(0, 9, 20)]
            for k in range(60)]  # fmt: skip
    text = "\n".join(",".join(map(str, row)) for row in [header, *rows])
    like = sniff(text, "log.csv")
    found = heads(like.header)
    tried = []
    names = ("looptime.parsers.layouts.edges_by_values._unmatched",
             "looptime.parsers.layouts.calls_by_values._as_calls")  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        for name in names:
            patch.setattr(name, lambda *_: tried.append(1))
        assert edge_columns(found, like, None, {}) is None
        assert call_columns(found, like) is None
    assert len(tried) < len(header)


def test_where_rows_may_be_calls_or_loops_both_ways_are_named(tmp_path):
    """Names that take turns beside a period: the calls' way reads loops of 9.05 ms."""
    rows, at = [], 0
    for _ in range(60):
        for name, us in (("imu", 2000), ("drive", 4000), ("arm", 3000)):
            rows.append(f"{at},{name},{us}\n")
            at += us + 10
        at += 20
    path = tmp_path / "log.csv"
    path.write_text("us,turn,dt_us\n" + "".join(rows), encoding="utf-8")
    with pytest.raises(LogError, match="if they are calls of one loop, with --columns") as caught:
        looptime.read_log(path)
    columns = caught.value.what.split('--columns "')[1].split('"')[0]
    (run,) = looptime.read_log(path, columns=columns).runs
    assert set(periods_ms(run)) == {9.05}


@pytest.mark.parametrize(
    ("header", "name"),
    [("us,id,dur_us", "2"), ("t0_us,job,us", "pods"), ("at_us,code,length_us", "2")],
)
def test_calls_by_number_or_under_a_bare_unit(tmp_path, header, name):
    """Three calls in turn, the second of 5 ms, named by number or beside a length called "us"."""
    draw = np.random.default_rng(2)
    names = ("yaw", "pods", "claw") if name == "pods" else ("1", "2", "3")
    t, rows = 0, []
    for _ in range(80):
        for one, usual in zip(names, (1500, 5000, 1000), strict=True):
            took = usual + int(draw.integers(0, 200))
            rows.append(f"{t},{one},{took}")
            t += took + 20
        t += 150
    run = read(tmp_path, "\n".join([header, *rows]) + "\n")
    assert run.layout == "calls"
    assert np.mean(self_ms(run)[name]) == pytest.approx(5.1, abs=0.05)
    assert 77 <= len(run) <= 80


def test_a_state_that_is_a_number_names_no_call(tmp_path):
    """A counter of camera frames beside the work of each loop: a row stays a loop."""
    rows = [(9 * k + k % 2, 8 - k % 3, k % 4) for k in range(120)]
    run = read(
        tmp_path, "t_ms,work_ms,camera_slot\n" + "".join(f"{a},{b},{c}\n" for a, b, c in rows)
    )
    assert run.layout == "costs"


@pytest.mark.parametrize(
    "header",
    ["time_ms,stage,sensors_ms,lift_ms,drive_ms,loop_ms", "t_ms,stufe,a_ms,b_ms,c_ms,takt_ms"],
)
def test_phases_beside_parts_and_their_sum_name_no_calls(tmp_path, header):
    """Each row has three parts and what they add up to: a loop, whatever word stands in it."""
    rng = np.random.default_rng(5)
    t, rows = 0.0, []
    for k in range(300):
        a, b, c = rng.uniform((2, 1, 6), (3, 2, 8))
        word = ("stow", "carry", "wait")[k // 100]
        rows.append(f"{t:.2f},{word},{a:.2f},{b:.2f},{c:.2f},{a + b + c:.2f}")
        t += a + b + c + 0.2
    run = read(tmp_path, "\n".join([header, *rows]) + "\n")
    assert run.layout == "costs"
    assert len(run) == 299
    assert len(run.names) == 3


@pytest.mark.parametrize(
    "header",
    ["lus;naam;begin_us;einde_us", "schleife;name;beginn_us;ende_us", "boucle;nom;debut_us;fin_us",
     "petla;nazwa;poczatek_us;koniec_us", "n;what;from_us;until_us"],
)  # fmt: skip
@pytest.mark.parametrize("length", [False, True])
def test_a_column_that_numbers_the_loops_is_no_clock(tmp_path, header, length):
    """It stands still for the calls of a loop and goes on by one, whatever language it is in."""
    draw = np.random.default_rng(7)
    took = draw.normal((700, 2000, 400), 40, (200, 3)).round().astype(int)
    start = np.append(0, np.cumsum(took.ravel() + 5))[:-1].reshape(200, 3)
    cells = took if length else start + took
    rows = "".join(
        f"{k};{name};{start[k, at]};{cells[k, at]}\n"
        for k in range(200) for at, name in enumerate(("kompas", "wielen", "meld"))
    )  # fmt: skip
    if length:
        header = header.rsplit(";", 1)[0] + ";dur_us"
    run = read(tmp_path, f"{header}\n{rows}")
    assert run.layout == "calls"
    assert run.loop_columns.period_ns.tolist() == (1000 * np.diff(start[:, 0])).tolist()
    assert run.loop_columns.loop.tolist() == list(range(199))


@pytest.mark.parametrize(
    ("length", "inner", "odd", "close", "within"),
    [
        (9, None, 0, 1, 0),
        (8, None, 0, 1, 0),
        (7.9, None, 0, 0, 0),
        (19, None, 1, 0, 1),
        (9, (0, 4), 0, 1, 0.5),
        (9, (4, 4), 0, 0.5, 0.5),
        (9, (4, 7), 0.5, 0.5, 0.5),
    ],
)
def test_how_well_intervals_do_as_calls_of_one_thread(length, inner, odd, close, within):
    """Each 10 ms a call, and perhaps one within it: up to a quarter of it may pass behind it.

    What cuts across the one before begins within it, too. Of 40 outer calls and as many inner ones
    every second row is compared with what holds it.
    """
    start = 10.0 * np.arange(40)
    end = start + length
    if inner is not None:
        end = np.append(end, start + sum(inner))
        start = np.append(start, start + inner[0])
    found = fit_of(start, end)
    assert (found.odd, found.close, found.within) == pytest.approx((odd, close, within), abs=0.02)


def column(header, cells):
    """How a column is written, and the column."""
    sample = tuple((str(cell),) for cell in cells)
    return Dialect(",", ".", (header,), 1, 1, 2, sample=sample), heads((header,))[0]


@pytest.mark.parametrize(
    ("header", "cells", "numbers", "codes"),
    [
        ("krok", ["imu", "arm"] * 20, False, [0, 1] * 20),
        ("krok", ["imu", "arm"] * 19 + ["", ""], False, [0, 1] * 19 + [-1, -1]),
        ("krok", [5, 7] * 20, False, None),
        ("krok", [5, 7] * 20, True, [0, 1] * 20),
        ("krok", [5.5, 7] * 20, True, None),
        ("mode", ["imu", "arm"] * 20, False, None),
        ("krok", ["imu"] * 40, False, None),
        ("krok", [*(["imu", "arm"] * 18), "a", "b", "c", "d"], False, [*([0, 1] * 18), 2, 3, 4, 5]),
        ("krok", [*(["imu", "arm"] * 17), *"aabbcc"], False, None),
        ("krok", [f"n{k // 3}" for k in range(600)], False, [k // 3 for k in range(600)]),
        ("krok", [f"n{k // 3}" for k in range(603)], False, None),
    ],
)
def test_what_may_name_calls(header, cells, numbers, codes):
    """Words, two to 200 of them, of which nine in ten rows hold one that is met three times."""
    like, head = column(header, cells)
    found = names_of(like, head, numbers_too=numbers)
    assert (found is None) if codes is None else (found.tolist() == codes)


@pytest.mark.parametrize(
    ("cells", "codes"),
    [
        (["a", "b"] * 20, [0, 1] * 20),
        ([3, 4] * 20, [0, 1] * 20),
        (["1.0", "2.0"] * 20, None),
        (["a"] * 40, None),
        (list(range(16)) * 3, list(range(16)) * 3),
        (list(range(17)) * 3, None),
        (["a", "b", ""] * 20, [0, 1, -1] * 20),
        ([*(["a"] * 250), "b"], [*([0] * 250), 1]),
    ],
)
def test_what_may_tell_threads_apart(cells, codes):
    """Two to 16 words or whole numbers, also where the second comes late."""
    like, head = column("lane", cells)
    found = threads_of([head], like)
    assert found.pop(None) is None
    assert (not found) if codes is None else (found[head].tolist() == codes)


def test_of_many_columns_only_those_called_so_are_threads():
    """Seven columns of two words: flags, but for the one whose header says that it is none."""
    header = ("core", *(f"flag{k}" for k in range(6)))
    like = Dialect(",", ".", header, 1, 7, 2, sample=(("a",) * 7, ("b",) * 7) * 20)
    found = heads(header)
    assert [h for h in threads_of(found, like) if h] == [found[0]]
    assert len(threads_of(found[:6], like)) == 7
