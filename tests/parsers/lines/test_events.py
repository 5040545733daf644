"""Lines of events, by hand."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.lines.build import COSTS, PERIODS, ROWS


def events(pattern, words):
    """Lines of the events of each loop."""
    made = []
    for t, imu, drive in ROWS:
        at = {"0": t, "i": t + imu, "d": t + imu + drive}
        made += [pattern.format(t=at[when], word=word) for when, word in words]
    return "\n".join(made) + "\n"


@pytest.mark.parametrize("pattern", ["{t} {word}", "[{t}] INFO {word}", "{t}ms: {word}",
                                     "10:00:00.{t} -> {t} {word}", "{t},{word}",
                                     "  {word} {t}", "{word}: {t} ms"])  # fmt: skip
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


def test_loops_of_events_are_not_said_to_be_numbered(tmp_path):
    """No column numbers the loops of events: the one that begins them is named."""
    run = read(tmp_path, events("{t} {word}", [("0", "imu start"), ("i", "imu end"),
                                               ("i", "drive start"), ("d", "drive end")]),
               unit="ms")  # fmt: skip
    assert run.loop_from == "'imu', which begins each loop"


def _events(loops=30):
    """Loops of 20 ms that read the imu for 5 ms and the drive for 8."""
    return [f"{20 * k + at} {word}" for k in range(loops)
            for at, word in ((0, "loop start"), (5, "imu done"), (13, "drive done"))]  # fmt: skip


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        (lambda rows: rows[:31] + rows[32:], "in 1 place an event is missing that comes there"),
        (lambda rows: [*rows[:31], rows[30], *rows[31:]], ""),
        (lambda rows: [*rows[:31], "604 loop start", *rows[31:]], "an event comes twice in a row"),
        (lambda rows: [*rows[:30], *("200 " + row.split(" ", 1)[1] for row in rows[30:60]),
                       *rows[60:]], "the clock stood still"),
        (lambda rows: [*rows[:31], "905 imu done", *rows[32:]], "line 32: a stamp that those"),
        (lambda rows: [*rows[:31], "5 imu done", *rows[32:]], "line 32: a stamp that those"),
    ],
)  # fmt: skip
def test_events_out_of_turn_are_told(tmp_path, harm, said):
    """One lost, sent again, or under a clock that stands still; one written twice counts once."""
    run = read(tmp_path, "\n".join(harm(_events())))
    assert any(said in note for note in run.clock.notes) or not said
    assert read(tmp_path, "\n".join(_events())).clock.notes == ()


def test_two_rows_run_into_one_are_told(tmp_path):
    """Where the bytes between were lost, and with them whole loops."""
    rows = ["time_ms,key", *(row.replace(" ", ",", 1) for row in _events())]
    assert read(tmp_path, "\n".join(rows)).clock.notes == ()
    torn = [*rows[:32], "205,imrive done", *rows[34:]]
    notes = read(tmp_path, "\n".join(torn)).clock.notes
    assert any(note.startswith("line 33: 'imrive' begins as one name and ends") for note in notes)


def flow(loops=60):
    """Instants (ms, side, name) of a loop that holds two calls, one of them with a call in it."""
    rows, at = [], 0.0
    for k in range(loops):
        late = 9.0 if k % 8 == 5 else 0.0
        rows += [(at, ">", "robot"), (at + 0.01, ">", "base"), (at + 0.02, ">", "base.read"),
                 (at + 2, "<", "base.read"), (at + 4, "<", "base"), (at + 4.1, ">", "lights"),
                 (at + 5.1 + late, "<", "lights"), (at + 5.2 + late, "<", "robot")]  # fmt: skip
        at += 12 + late
    return rows


@pytest.mark.parametrize(
    "line",
    ["{at:10.3f} ms {mark} {name}", "{at:.3f} {arrow} {name}", "[{at:.3f}] {mark}{name}",
     "[{s:12.6f}] {arrow} {name}", "[{at:10.3f} ms] {arrow} {name}", "[ {at:.3f} ] {mark} {name}",
     "({s:9.6f}) {mark}{mark} {name}", "[{s:12.6f}]\t{arrow}\t{name}",
     "time={s:.6f} thread=main event={word} fn={name}"],
)  # fmt: skip
def test_calls_that_are_entered_and_left_by_marks_or_by_pairs_of_words(tmp_path, line):
    """Marks between stamp and name, and lines of words alone, give loops of 12 and 21 ms."""
    text = "".join(
        line.format(at=at, s=at / 1e3, mark=mark, arrow="->" if mark == ">" else "<-", name=name,
                    word="enter" if mark == ">" else "exit") + "\n"
        for at, mark, name in flow()
    )  # fmt: skip
    run = read(tmp_path, text, unit="s" if "{s:" in line else "ms")
    expected = [21.0 if k % 8 == 5 else 12.0 for k in range(len(run))]
    assert periods_ms(run) == pytest.approx(expected)
    assert self_ms(run)["base.read"] == pytest.approx([1.98] * len(run))
    assert self_ms(run)["lights"] == pytest.approx([took - 11 for took in expected])


@pytest.mark.parametrize("remark", ["# us since boot, > in, < out", "# instants in us"])
def test_the_unit_of_the_clock_may_stand_in_a_remark_above_the_marks(tmp_path, remark):
    """What the first line says is not said to be guessed from the size of the numbers."""
    text = "".join(f"{round(at * 1e3)} {mark} {name}\n" for at, mark, name in flow())
    run = read(tmp_path, f"{remark}\n{text}")
    assert (run.clock.unit, run.clock.limits) == ("us", ())
    assert periods_ms(run)[:6] == pytest.approx([12.0] * 5 + [21.0])


def test_two_logs_among_each_other_are_told(tmp_path):
    """Loops of 7 and of 11 ms sorted by time: no event waits for the others of its loop."""
    names = ("loop start", "gyro done", "drive done")
    one, two = (
        [(step * k + 2000 * at, name) for k in range(60) for at, name in enumerate(names)]
        for step in (7000, 11_000)
    )
    both = "".join(f"[{t} us] {name}\n" for t, name in sorted(one + two))
    alone = "".join(f"[{t} us] {name}\n" for t, name in one)
    notes = [read(tmp_path, log).clock.notes for log in (both, alone)]
    assert [any("two logs may stand" in note for note in said) for said in notes] == [True, False]


@pytest.mark.parametrize(
    ("form", "wrap"),
    [("{t} {side} {name}", 0), ("{t} {name} {side}", 0), ("{t},{side},{name}", 0),
     ("{t} {side} {name}", 1 << 32)],
)  # fmt: skip
def test_letters_for_begin_and_end_in_counts_of_a_stated_rate(tmp_path, form, wrap):
    """Loops of 2 ms in counts of 72 MHz, B and E before or behind the names; 32 bits may wrap."""
    first = 4_290_000_000 if wrap else 0
    text = "# core 72 MHz\n"
    for k in range(120):
        for at, side, name in (
            (0, "B", "loop"),
            (100, "B", "imu"),
            (600, "E", "imu"),
            (650, "B", "drive"),
            (1900, "E", "drive"),
            (1950, "E", "loop"),
        ):
            count = first + (2000 * k + at) * 72  # fmt: skip
            text += form.format(t=count % wrap if wrap else count, side=side, name=name) + "\n"
    run = read(tmp_path, text, "log.txt")
    assert set(periods_ms(run)) == {2.0}
    took = self_ms(run)
    assert set(took["imu"]) == {0.5}
    assert set(took["drive"]) == {1.25}
    assert any("72 MHz" in note for note in run.clock.notes)


def test_a_rate_of_something_slow_is_not_that_of_the_stamps(tmp_path):
    """Stamps in us beside a line on a sensor of 200 Hz stay in us, and so do they as asked."""
    rows = "".join(f"{2000 * k + at} {side} {name}\n" for k in range(120)
                   for at, side, name in ((0, "B", "loop"), (100, "B", "imu"), (600, "E", "imu"),
                                          (1950, "E", "loop")))  # fmt: skip
    assert set(periods_ms(read(tmp_path, f"# imu at 200 Hz\n{rows}", "log.txt"))) == {2.0}
    run = read(tmp_path, f"# core 72 MHz\n{rows}", "log.txt", unit="us")
    assert set(periods_ms(run)) == {2.0}


@pytest.mark.parametrize("said", ["[boot] clock = us", "up; clock counts in us", "# clock: us"])
def test_a_line_above_the_events_states_the_unit_of_their_stamps(tmp_path, said):
    """Stamps of 2 ms loops in us: known by the line and supposed without it, as the books say."""
    rows = "".join(f"{2000 * k + at} {what}\n" for k in range(120)
                   for at, what in ((0, "loop start"), (100, "imu begin"), (600, "imu end"),
                                    (1950, "loop end")))  # fmt: skip
    run = read(tmp_path, f"{said}\n{rows}", "log.txt")
    assert set(periods_ms(run)) == {2.0}
    assert (run.clock.unit_from, run.clock.supposed) == ("log", ())
    assert read(tmp_path, rows, "log.txt").clock.supposed


def test_a_state_beside_the_name_of_a_loop_is_its_phase(tmp_path):
    """Sixty loops of 2 ms at rest and sixty of 4 ms, the state named where each loop begins."""
    text, t = "", 0
    for k in range(120):
        step = 2000 if k < 60 else 4000
        text += f"{t} B loop state={'rest' if k < 60 else 'drive'}\n{t + 9} B imu\n"
        text += f"{t + step - 90} E imu\n{t + step - 50} E loop\n"
        t += step
    run = read(tmp_path, text, "log.txt", unit="us")
    phases = run.loops.groupby("phase", observed=True)["period_ns"]
    assert {name: set(part / 1e6) for name, part in phases} == {"rest": {2.0}, "drive": {4.0}}


@pytest.mark.parametrize(
    "remark", ["# core 84 MHz", "# spi at 8 MHz", "# i2c 400 kHz, imu at 200 Hz", "# 16 MHz"]
)
def test_a_rate_that_is_not_said_to_be_the_stamps_leaves_them(tmp_path, remark):
    """Stamps in us of loops of 20 ms stay so beside a line on the board or on a bus."""
    rows = "".join(f"{20_000 * k} begin imu\n{20_000 * k + 4000 + k % 7} end imu\n"
                   for k in range(200))  # fmt: skip
    assert set(periods_ms(read(tmp_path, f"{remark}\n{rows}", "log.txt"))) == {20.0}


def test_letters_that_do_not_come_by_turns_are_no_begin_and_end(tmp_path):
    """South and east, as chance has it: a call that begins would end before it begins again."""
    draw = np.random.default_rng(3)
    rows = [f"{20 * k} {'SE'[int(draw.integers(2))]} bench{draw.integers(3)}" for k in range(200)]
    with pytest.raises(LogError, match="no layout fits"):
        read(tmp_path, "\n".join(rows) + "\n", "log.txt")


@pytest.mark.parametrize("head", ["us name edge", "us   what   be", "[us] name edge",
                                  "edge us name", "name us edge"])  # fmt: skip
def test_a_clock_that_its_header_calls_by_its_unit_alone(tmp_path, head):
    """Letters for begin and end below a header of units and roles, in columns of blanks."""
    rows = ""
    for t, imu, drive in ROWS:
        at = (t, "imu", "B"), (t + imu, "imu", "E"), (t + imu, "drive", "B")
        for when, name, side in (*at, (t + imu + drive, "drive", "E")):
            cell = {"us": when * 1000, "[us]": when * 1000, "edge": side, "be": side}
            rows += " ".join(str(cell.get(word, name)) for word in head.split()) + "\n"
    run = read(tmp_path, f"{head}\n{rows}")
    assert (run.clock.unit, run.clock.unit_from) == ("us", "header")
    assert "not a row" not in run.set_aside.counts
    assert periods_ms(run)[:3] == PERIODS
    assert {name: ms[:3] for name, ms in self_ms(run).items()} == COSTS


def test_words_above_events_are_no_header_of_theirs(tmp_path):
    """Three words of prose, one of them a unit of none of the columns, above three columns."""
    rows = "".join(f"{1000 * t} imu B\n{1000 * t + 900} imu E\n" for t, _, _ in ROWS)
    run = read(tmp_path, f"carrier in ms\n{rows}", unit="us")
    assert run.set_aside.counts["not a row"] == 1
    assert periods_ms(run)[:3] == PERIODS


@pytest.mark.parametrize(("every", "calls"), [(50, {"imu"}), (1, {"imu", "tray"})])
@pytest.mark.parametrize("head", ["", "t_ms,event\n"])
def test_words_of_how_something_is_name_no_calls(tmp_path, every, calls, head):
    """The tray goes up, and down 50 loops later; one that does so in each loop is a call."""
    said, to = [], 0
    for k in range(600):
        said += [(8 * k, "loop start"), (8 * k + 1, "imu begin"), (8 * k + 3, "imu end")]
        if k % every == every - 1:
            to += every > 1
            said += [(8 * k + 4, "tray down" if to % 2 == 0 and every > 1 else "tray up")]
            said += [(8 * k + 6, "tray down")] if every == 1 else []
    gap = "," if head else " "
    run = read(tmp_path, head + "".join(f"{t:.1f}{gap}{e}\n" for t, e in said))
    own = self_ms(run)
    assert set(own) == calls if every > 1 else set(own) >= calls


def marks(loops=60):
    """Loop, name, instant [us]: three marks in turn, and a pause before the next loop."""
    draw, at = np.random.default_rng(4), 5000
    for loop in range(loops):
        for name, took in (("gyro.read", 1800), ("pose", 600), ("drive.write", 2100)):
            at += took + int(draw.integers(-30, 31))
            yield loop, name, at
        at += 900


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("t_us,event", "{2},{1}"),
        ("name,end_us", "{1},{2}"),
        ("loop,name,start_us", "{0},{1},{2}"),
        ("cycle;checkpoint;us", "{0};{1};{2}"),
        ("", "{2},{1}"),
    ],
)
def test_marks_in_turn_without_begin_or_end_are_stretches(tmp_path, header, row):
    """From mark to mark by hand: 0.6 ms to pose, 2.1 to the write, 2.7 over the pause."""
    path = tmp_path / "log.csv"
    path.write_text("\n".join([header] * bool(header) + [row.format(*m) for m in marks()]))
    run = looptime.read(path)
    means = {c.name: c.self_ms_per_loop for c in looptime.summarise(run).costs.calls}
    assert means == {
        "gyro.read to pose": pytest.approx(0.6, abs=0.02),
        "pose to drive.write": pytest.approx(2.1, abs=0.02),
        "drive.write to gyro.read": pytest.approx(2.7, abs=0.02),
    }
    kinds = {name.name: name.kind for name in run.names}
    assert kinds["drive.write to gyro.read"] == "other"  # it may have waited, and not read


def test_marks_of_robots_are_of_a_loop_each(tmp_path):
    """Three that send in turn: each by itself, and the choice is said."""
    path = tmp_path / "log.csv"
    path.write_text("t_us,robot\n" + "\n".join(f"{at},{name}" for _, name, at in marks()))
    with pytest.raises(LogError, match="--by robot"):
        looptime.read(path)


def test_a_loop_called_tick_begins_and_ends(tmp_path):
    """The word stands for an instant elsewhere; here an arrow says on which side of it one is."""
    rows = []
    for k in range(30):
        at = 20_000 * k
        rows += [f"{at} -> tick", f"{at + 300} -> gyro", f"{at + 2300 + k % 9} <- gyro",
                 f"{at + 9000} <- tick"]  # fmt: skip
    run = read(tmp_path, "\n".join(rows), unit="us")
    assert {name for name in self_ms(run) if name != "tick"} == {"gyro"}
    assert set(periods_ms(run)) == {20.0}


def test_states_in_turn_are_no_marks(tmp_path):
    """What a robot does one after another, for as long as it takes, is no loop."""
    path = tmp_path / "log.csv"
    draw, at, rows = np.random.default_rng(2), 0, []
    for _ in range(60):
        for state, usual in (("seek", 900), ("grab", 400), ("carry", 1500), ("drop", 260)):
            rows.append(f"{at},{state}")
            at += usual + int(draw.integers(-90, 91))
    path.write_text("t_ms,state\n" + "\n".join(rows))
    with pytest.raises(LogError, match="--by state"):
        looptime.read(path)
