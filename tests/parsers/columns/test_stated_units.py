"""Units stated above the rows of planted loops: columns that they are of, and that they are not."""

import json

import numpy as np
import pytest

import looptime
from looptime.parsers.columns.stated_units import in_stated_units
from looptime.parsers.text.sniff import sniff

LOOPS = 300
_DRAW = np.random.default_rng(11)
SENSE, MOVE, LIFT = (_DRAW.normal(mean, mean / 20, LOOPS).round(2) for mean in (2.0, 5.0, 3.0))
START = 3000 + 20.0 * np.arange(LOOPS)  # [ms], paced: no step tells the unit of a part
VOLTS = np.array([12.3, 12.4, 12.5])[np.arange(LOOPS) % 3]


def read(tmp_path, lines, name="log.csv"):
    path = tmp_path / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return looptime.read(path)


def mean_ms(run):
    """What each call takes [ms], as a mean of all loops."""
    took = run.calls.groupby("name", observed=True)["self_ns"].sum() / len(run.loops) / 1e6
    return {name: round(float(value), 1) for name, value in took.items() if value}


def cells(mark, *columns):
    return [mark.join(f"{value:.4f}" for value in row) for row in zip(*columns, strict=True)]


WHAT = {"sense": 2.0, "move": 5.0, "lift": 3.0}


@pytest.mark.parametrize(
    "said",
    ["# times in ms, t in s", "cart 7 - t: s, alle Zeiten in Millisekunden", "# temps en ms; t: s",
     "# t en s, le reste en ms", "# t em s, o resto em ms", "# t (s), tutti i valori (ms)",
     "# t in seconden, de overige in ms", "# sense, move and lift are in ms; t in s",
     "# Dauer der einzelnen Schritte in ms, t in s",
     "The first column is in seconds, all durations are in milliseconds.",
     "# erste Spalte in s, alle Dauern in ms", "// t: segundos; sense, move, lift: ms"],
)  # fmt: skip
def test_a_unit_stated_of_columns_is_theirs(tmp_path, said) -> None:
    """Lengths of a paced loop, which no step of its clock tells, in the unit that is said."""
    rows = cells(",", START / 1000, SENSE, MOVE, LIFT)
    run = read(tmp_path, [said, "t,sense,move,lift", *rows])
    assert mean_ms(run) == pytest.approx(WHAT, abs=0.11)
    assert not run.clock.supposed


def test_the_same_of_lines_that_name_their_values(tmp_path) -> None:
    """``key=value`` and objects, below a line that says the unit of all times."""
    rows = zip(START, SENSE, MOVE, LIFT, strict=True)
    whole = [[round(1000 * float(value)) for value in row] for row in rows]
    names = ("t", "sense", "move", "lift")
    keyed = [" ".join(f"{n}={v}" for n, v in zip(names, row, strict=True)) for row in whole]
    objects = [json.dumps(dict(zip(names, row, strict=True))) for row in whole]
    for lines in (keyed, objects):
        run = read(tmp_path, ["# tutti i tempi sono in us", *lines], "log.txt")
        assert mean_ms(run) == pytest.approx(WHAT, abs=0.11)


def test_a_title_with_a_number_is_no_row(tmp_path) -> None:
    """A title of as many words as the rows have cells, then the header."""
    rows = [f"{k} {s:.0f} {m:.0f} {x:.0f} {c:.0f} 12.{k % 3} {7 * k} {7 * k}" for k, (s, m, x, c)
            in enumerate(zip(1000 * SENSE, 1000 * MOVE, 1000 * LIFT,
                             1000 * (SENSE + MOVE + LIFT) + 900, strict=True))]  # fmt: skip
    title, names = "tray cart fw 0.9 - times in us", "lp t_se t_mo dtLift cyc u encL encR"
    run = read(tmp_path, [title, "", names, *rows], "log.txt")
    assert mean_ms(run) == pytest.approx({"t_se": 2.0, "t_mo": 5.0, "dtLift": 3.0}, abs=0.11)
    assert run.loop_columns.period_ns.mean() / 1e6 == pytest.approx(10.9, abs=0.1)


def test_what_is_about_constant_and_holds_the_others_is_the_period(tmp_path) -> None:
    """A log without a clock of a loop that waits for its tick: the wait makes up for the work."""
    period = 20 + np.resize([0.01, -0.01, 0.0, 0.02], LOOPS)
    rows = cells(";", np.arange(LOOPS), SENSE, MOVE, LIFT, period)
    run = read(tmp_path, ["alle Zeiten in ms", "Nr;sense;move;lift;Umlauf", *rows])
    assert mean_ms(run) == pytest.approx(WHAT, abs=0.11)
    assert np.median(run.loop_columns.period_ns) / 1e6 == pytest.approx(20, abs=0.02)


def test_a_call_as_even_as_a_period_stays_one(tmp_path) -> None:
    """A read that blocks for ten milliseconds is in the loop, not the loop."""
    block = 12 + np.resize([0.01, -0.01, 0.0, 0.02], LOOPS)
    rows = cells(";", np.arange(LOOPS), SENSE, MOVE, block)
    run = read(tmp_path, ["alle Zeiten in ms", "Nr;sense;move;camera_read", *rows])
    assert mean_ms(run) == pytest.approx({"sense": 2, "move": 5, "camera_read": 12}, abs=0.11)


def test_signals_keep_what_their_names_and_values_say(tmp_path) -> None:
    """A voltage, a heading, a count and what glides are no lengths of time."""
    sway = 10 + np.sin(np.arange(LOOPS) / 40)
    rows = cells(",", START, VOLTS, (3 * np.arange(LOOPS)) % 360, sway, np.arange(LOOPS) // 7)
    run = read(tmp_path, ["# times in ms", "t,battery,heading,belt,seen", *rows])
    assert mean_ms(run) == {}


def test_a_name_of_a_signal_is_a_length_where_it_is_said_by_name(tmp_path) -> None:
    """Remarks that describe one column each."""
    said = ["# heading: time to ask the compass, ms", "# move = time of the wheels [ms]", "# t: s"]
    rows = cells(",", START / 1000, SENSE, MOVE)
    run = read(tmp_path, [*said, "t,heading,move", *rows])
    assert mean_ms(run) == pytest.approx({"heading": 2.0, "move": 5.0}, abs=0.11)


def test_a_name_of_a_signal_is_a_length_where_a_sum_lacks_it(tmp_path) -> None:
    """A row's sum is that of its addends: what is added to times is a time."""
    total = SENSE + MOVE + LIFT
    rows = cells(";", START / 1000, SENSE, MOVE, LIFT, VOLTS, total)
    said = "# Dauer der Aktualisierungen in ms, Zeit in s"
    run = read(tmp_path, [said, "Zeit;Kurs;move;lift;volt;Summe", *rows])
    assert mean_ms(run) == pytest.approx({"Kurs": 2.0, "move": 5.0, "lift": 3.0}, abs=0.11)


@pytest.mark.parametrize(
    ("header", "said"),
    [("t_us,sense_ms", "# all times in s"), ("t,sense", "# sense drifts in ms over 3 s"),
     ("t,sense", "# warm-up 3 s"), ("t,sense", "# all values in SI units"),
     ("t,sense", "# times in ms, times in s"), ("t,sense", "# robot: cart")],
)  # fmt: skip
def test_what_is_not_said_changes_no_header(header, said) -> None:
    """A unit of its own, a number with a unit, and words of something else."""
    like = sniff(f"{header}\n" + "\n".join(cells(",", START, SENSE)) + "\n", "log.csv")
    assert in_stated_units(like, [said]).header == like.header


@pytest.mark.parametrize("said", ["# unites: s, us, us", "s; us; us", "# units | s | us | us"])
def test_a_unit_for_each_column_in_turn_is_no_unit_of_all(said):
    """Which is whose is told elsewhere: here it would make the first unit that of each column."""
    rows = [f"{k / 100:.2f},{900 + k % 7},{500 + k % 5}" for k in range(60)]
    like = sniff("temps,gyro,roues\n" + "\n".join(rows) + "\n", "a.csv")
    assert in_stated_units(like, [said]).header == ("temps", "gyro", "roues")


@pytest.mark.parametrize(
    "said",
    ["# alle Dauern in Millisekunden, Zeit in Sekunden ab Start", "# alle Dauern in ms",
     "# Dauern in Millisekunden und Zeit in Sekunden"],
)  # fmt: skip
def test_a_unit_of_durations_is_never_the_clocks(tmp_path, said) -> None:
    """A clock whose name may be that of a length, 20 ms from loop to loop in seconds."""
    rows = cells(";", START / 1000, SENSE, MOVE, LIFT)
    run = read(tmp_path, [said, "Zeit;sense;move;lift", *rows])
    assert mean_ms(run) == pytest.approx(WHAT, abs=0.11)
    assert float(np.median(run.loops.period_ns)) / 1e6 == pytest.approx(20, abs=0.5)


@pytest.mark.parametrize("said", ["# all times in ms", "# Zeiten in ms", "# time in ms"])
def test_a_unit_that_makes_no_loop_of_the_clock_is_not_taken_for_it(tmp_path, said) -> None:
    """Seconds that go on by 0.012: 83 loops a second, and no 83,000."""
    rows = cells(",", START * 0.6 / 1000, SENSE, MOVE, LIFT)
    run = read(tmp_path, [said, "t,sense,move,lift", *rows])
    assert float(np.median(run.loops.period_ns)) / 1e6 == pytest.approx(12, abs=0.5)
    assert any("above the rows" in note for note in run.clock.notes)


@pytest.mark.parametrize(
    "first",
    ['{"robot": "tray carrier", "units": "us", "note": "bench 3"}', '{"time_unit": "microseconds"}',
     '{"cart": {"name": "tray carrier", "units": "us"}}'],
)  # fmt: skip
def test_a_unit_in_an_object_above_the_rows_is_that_of_all(tmp_path, first) -> None:
    """Of lengths of a paced loop, one of which is named like a reading, and not of a heading."""
    whole = [np.rint(1000 * values).astype(int) for values in (START, SENSE, MOVE, LIFT)]
    rows = [f'{{"t": {t}, "sense": {a}, "steer": {b}, "lift": {c}, "heading": {k / 10}}}'
            for k, (t, a, b, c) in enumerate(zip(*whole, strict=True))]  # fmt: skip
    run = read(tmp_path, [first, *rows], "log.jsonl")
    assert mean_ms(run) == pytest.approx({"sense": 2.0, "steer": 5.0, "lift": 3.0}, abs=0.11)


@pytest.mark.parametrize("said", ["% T, sense, move, lift: seconds; u: volts",
                                  "# seconds: T, sense, move, lift; volts: u"])  # fmt: skip
@pytest.mark.parametrize("form", ["k={} T={:.5f} sense={:.5f} move={:.5f} lift={:.5f} u={}",
                                  "{},{:.5f},{:.5f},{:.5f},{:.5f},{}"])  # fmt: skip
def test_beside_the_length_of_the_loop_all_that_are_named_are_lengths(tmp_path, said, form) -> None:
    """No clock, but ``T`` of every loop, and parts that fill 10 of its 20 ms in seconds."""
    head = [] if "=" in form else ["k,T,sense,move,lift,u"]
    columns = zip(SENSE / 1e3, MOVE / 1e3, LIFT / 1e3, strict=True)
    rows = [form.format(k, 0.02 + k * 37 % 90 / 1e6, *parts, 12 + k % 3)
            for k, parts in enumerate(columns)]  # fmt: skip
    run = read(tmp_path, [said, *head, *rows])
    assert mean_ms(run) == pytest.approx(WHAT, abs=0.11)
    assert float(np.median(run.loops.period_ns)) / 1e6 == pytest.approx(20, abs=0.1)


@pytest.mark.parametrize(
    ("said", "names"),
    [("# time in s", "time,sense_ms,move_ms"), ("# time in s, parts in ms", "time,sense,move"),
     ("# all times in ms", "time_s,sense,move")],
)  # fmt: skip
def test_the_unit_of_a_slow_clock_is_believed(tmp_path, said, names) -> None:
    """Benches are watered every ten seconds; reading and moving take seconds of them."""
    rows = cells(",", 10 * np.arange(LOOPS) + 3.0, 500 * SENSE, 500 * MOVE)
    run = read(tmp_path, [said, names, *rows])
    assert float(np.median(run.loops.period_ns)) == 10e9
    assert mean_ms(run) == pytest.approx({"sense": 1000, "move": 2500}, rel=0.02)


@pytest.mark.parametrize("said", ["# all times in s", "# times in s", "# everything in seconds"])
@pytest.mark.parametrize("every", [6.0, 12.0])
def test_a_unit_of_all_is_a_slow_clocks_too(tmp_path, said, every) -> None:
    """With a caution, since hardly a robot has such a loop."""
    rows = cells(",", every * np.arange(LOOPS), SENSE / 2, MOVE / 2)
    run = read(tmp_path, [said, "time,sense,move", *rows])
    assert float(np.median(run.loops.period_ns)) == every * 1e9
    assert mean_ms(run) == pytest.approx({"sense": 1000, "move": 2500}, rel=0.02)
    assert any("a loop lasts" in note for note in run.clock.notes)


def test_a_unit_of_all_is_a_fast_clocks_too(tmp_path) -> None:
    """A loop of 40 us whose parts would be nothing of one of 40 ms."""
    rows = cells(",", 40 * np.arange(LOOPS) + 1, 4 * SENSE, 4 * MOVE)
    run = read(tmp_path, ["# times in us", "time,sense,move", *rows])
    assert float(np.median(run.loops.period_ns)) == 40e3
    took = run.calls.groupby("name", observed=True)["self_ns"].mean()
    assert took.to_dict() == pytest.approx({"sense": 8e3, "move": 20e3}, rel=0.02)


def test_a_unit_of_durations_is_no_slow_clocks(tmp_path) -> None:
    """Lengths of seconds in steps of 10 are no parts of a loop of 10 ms."""
    rows = cells(",", 10 * np.arange(LOOPS), SENSE, MOVE)
    run = read(tmp_path, ["# durations in ms", "time,sense,move", *rows])
    assert float(np.median(run.loops.period_ns)) == 10e6


def test_a_unit_that_makes_next_to_nothing_of_the_parts_is_not_the_clocks(tmp_path) -> None:
    """Steps of 12,000: 12 s with 7 ms of parts in them, or, as most robots have it, 12 ms."""
    rows = cells(",", 12_000 * np.arange(LOOPS), SENSE, MOVE)
    run = read(tmp_path, ["# times in ms", "time,sense,move", *rows])
    assert float(np.median(run.loops.period_ns)) == 12e6
    assert any("is not taken for time" in note for note in run.clock.notes)
