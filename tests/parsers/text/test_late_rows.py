"""Rows that begin behind more text than tells how a log is written."""

import random

import numpy as np
import pytest

from looptime.errors import LogError
from looptime.parsers.text import late_rows
from looptime.parsers.text.source import head, open_source
from tests.parsers.build import periods_ms, read, self_ms

SAID = ("bench", "tray", "arm", "gate", "homing", "queue", "lamp", "door", "seedlings", "cart")


def prints(lines, numbers=False):
    """What a program says while it starts: sentences, some with a number in them."""
    rng = random.Random(5)
    made = [" ".join(rng.choices(SAID, k=rng.randint(4, 8))) + "." for _ in range(lines)]
    return [f"{line} retry {k % 7}" if numbers else line for k, line in enumerate(made)]


def rows(mark=","):
    """Loops of 12 ms: 4 of the grip, 7 of the lift, and a rest."""
    draw, made, at = np.random.default_rng(9), [], 700.0
    for _ in range(600):
        grip, lift = draw.normal([4.0, 7.0], 0.2)
        made.append(mark.join(f"{value:.2f}" for value in (at, grip, lift)))
        at += round(grip, 2) + round(lift, 2) + 1
    return made


@pytest.mark.parametrize("lines", [300, 380, 500, 9000, 30_000])
@pytest.mark.parametrize(
    ("mark", "header"), [(",", None), ("  ", None), (";", "t_ms;grip_ms;lift_ms")]
)
@pytest.mark.parametrize("numbers", [False, True])
def test_rows_are_found_however_much_is_printed_before(tmp_path, lines, mark, header, numbers):
    """Up to a megabyte; lines keep their numbers, and what is left out is said."""
    above = prints(lines, numbers) + ([header] if header else [])
    run = read(tmp_path, "\n".join([*above, *rows(mark)]) + "\n")
    assert np.mean(periods_ms(run)) == pytest.approx(12.0, abs=0.05)
    took = sorted(float(np.mean(ms)) for ms in self_ms(run).values() if np.mean(ms) > 2)
    assert took == pytest.approx([4.0, 7.0], abs=0.05)
    assert run.rows_read == lines + 600
    assert sum(run.set_aside.counts.values()) == lines + 1
    assert run.loop_columns.line[0] == len(above) + 1
    said = [note for note in run.clock.notes if "other text" in note]
    assert said == ([] if lines < (360 if numbers else 400) else [
        f"{lines:,} lines of other text stand before the rows: only remarks among them are read"
    ])  # fmt: skip


def test_a_unit_that_a_remark_states_among_them_still_counts(tmp_path):
    """Times in us, which nothing but the remark says."""
    text = prints(9000)
    text.insert(40, "# all times in us")
    body = [",".join(str(round(1000 * float(v))) for v in row.split(",")) for row in rows()]
    run = read(tmp_path, "\n".join([*text, "t,grip,lift", *body]) + "\n")
    assert np.mean(periods_ms(run)) == pytest.approx(12.0, abs=0.05)
    assert not run.clock.supposed


def test_text_without_rows_is_refused_with_how_far_was_looked(tmp_path, monkeypatch):
    """Rows behind what is looked at are said to be looked for no further."""
    with pytest.raises(
        LogError, match=r"is prose and no log: it holds sentences and no rows of times\. "
    ):
        read(tmp_path, "\n".join(prints(20_000)) + "\n")
    monkeypatch.setattr(late_rows, "LOOKED_AT", 1 << 20)
    with pytest.raises(LogError, match=r"in its first 1 MB \(rows further on: cut off what stands"):
        read(tmp_path, "\n".join([*prints(90_000), *rows()]) + "\n")


def test_lines_that_say_the_same_with_other_numbers_are_rows_themselves(tmp_path):
    """Sentences of a log are not left out for a table that is printed behind them."""
    said = [f"grip was done with the tray in {3 + k % 5} ms" for k in range(3000)]
    source = tmp_path / "cart.log"
    source.write_text("\n".join([*said, *(f"{k},{k % 7}" for k in range(40))]) + "\n")
    opened = open_source(source)
    assert late_rows.from_late_rows(opened, head(opened).decode()) is None


def talk(lines):
    """What a program says all the time, of few kinds and without numbers."""
    return ["tray set down gently" if k % 3 else "bench reached, arm free" for k in range(lines)]


def values():
    """Lines of loops of 12 ms, each with two sentences behind it."""
    made = []
    for row in rows():
        at, grip, lift = row.split(",")
        made += [f"loop t_ms={at} grip_ms={grip} lift_ms={lift}", *talk(2)]
    return made


def path(rows):
    """Where the cart stands every 20 ms, as it may be printed at the end of a move."""
    return ["time_s,x_m,y_m", *(f"{0.02 * k:.2f},{0.013 * k:.3f},0.100" for k in range(rows))]


def calibration(rows):
    """A table that counts its rows."""
    return [f"{k},{0.1 * k:.2f},{0.33 * k:.3f}" for k in range(rows)]


@pytest.mark.parametrize("table", [path(250), path(3000), calibration(25)])
@pytest.mark.parametrize("at", [450, 1500, 12_000])
def test_a_table_among_lines_of_loops_is_not_read_instead_of_them(tmp_path, table, at):
    """The pace is that of the lines, 12 ms, or the log is refused; never that of the table."""
    said = []
    for k in range(5000):
        said += [f"loop t_ms={700 + 12 * k}.{k % 7} grip_ms=4.{k % 9} lift_ms=7.{k % 5}", *talk(2)]
    try:
        run = read(tmp_path, "\n".join([*said[:at], *table, *said[at:]]) + "\n")
    except LogError:
        assert at < 12_000  # those further on are none of the lines that tell what a log is
        return
    assert np.mean(periods_ms(run)) == pytest.approx(12.0, abs=0.05)
    assert len(run.loop_columns.line) > 4900


@pytest.mark.parametrize("rows_of_path", [30, 250, 3000])
@pytest.mark.parametrize("behind", [0, 300, 600])
def test_a_table_is_not_read_where_lines_of_loops_begin_late(tmp_path, rows_of_path, behind):
    """Before, among or behind them: it is refused, and no pace is told of it."""
    said = values()
    lines = [*talk(600), *said[: 3 * behind], *path(rows_of_path), *said[3 * behind :]]
    with pytest.raises(LogError, match="no rows of numbers"):
        read(tmp_path, "\n".join(lines) + "\n")


@pytest.mark.parametrize("mark", [",", " ", ";", "\t"])
@pytest.mark.parametrize("names", ["t_ms grip lift", "time grip lift"])
@pytest.mark.parametrize(
    ("between", "after"), [(0, ()), (250, ()), (0, (10, 20)), (1, (1, 2, 3)), (0, (0,))]
)
def test_names_are_found_behind_talk_and_no_row_is_lost(tmp_path, mark, names, between, after):
    """Whatever is said between header and rows, or among the first of them."""
    body = rows(mark)
    for at in reversed(after):
        body.insert(at, "arm free")
    text = [*talk(600), names.replace(" ", mark), *talk(between), *body]
    run = read(tmp_path, "\n".join(text) + "\n")
    assert sorted(name for name, ms in self_ms(run).items() if np.mean(ms) > 2) == ["grip", "lift"]
    assert np.mean(periods_ms(run)) == pytest.approx(12.0, abs=0.05)
    assert run.rows_read == 600 + between + len(after) + 600
    assert sum(run.set_aside.counts.values()) == 600 + between + len(after) + 1


def test_the_greatest_table_is_read_behind_a_lesser_one(tmp_path):
    """One of another header, which is among what is left out; with the same it is not told."""
    lesser = ["bench,gain,offset", *calibration(25)]
    run = read(tmp_path, "\n".join(
        [*talk(500), *lesser, *talk(500), "t_ms,grip,lift", *rows()]) + "\n")  # fmt: skip
    assert np.mean(periods_ms(run)) == pytest.approx(12.0, abs=0.05)
    for header in ([], ["t_ms,grip,lift"]):
        again = [*talk(500), *header, *calibration(25), *talk(500), *header, *rows()]
        with pytest.raises(LogError):
            read(tmp_path, "\n".join(again) + "\n")


@pytest.mark.parametrize("between", [0, 3, 400])
@pytest.mark.parametrize("turned", [False, True])
def test_two_tables_are_not_read_as_one(tmp_path, between, turned):
    """Times of one beside places of the other have no pace."""
    tables = [path(400), ["t_ms,grip,lift", *rows()]]
    first, second = reversed(tables) if turned else tables
    with pytest.raises(LogError):
        read(tmp_path, "\n".join([*talk(500), *first, *talk(between), *second]) + "\n")


def test_names_of_a_short_table_do_not_name_the_rows_of_another(tmp_path):
    """Fewer rows than make a table stand between the names and the rows."""
    few = ["bench,gain,offset", *calibration(9)]
    run = read(tmp_path, "\n".join([*talk(500), *few, *talk(500), *rows()]) + "\n")
    assert not {"gain", "offset"} & set(self_ms(run))


def test_talk_with_short_rows_is_looked_at_once(tmp_path, monkeypatch):
    """Blocks of nineteen rows make no table, and take as many looks as there are lines."""
    seen, shape = [], late_rows._shape
    monkeypatch.setattr(late_rows, "_shape", lambda line: seen.append(len(line)) or shape(line))
    for blocks in (100, 200, 400):
        seen.clear()
        lines = talk(500)
        for block in range(blocks):
            lines += [*(f"{block % 10},{k}" for k in range(19)), *talk(25)]
        log = tmp_path / "cart.log"
        log.write_text("\n".join(lines) + "\n")
        opened = open_source(log)
        assert late_rows.from_late_rows(opened, head(opened).decode()) is None
        assert len(seen) == 19 * blocks
        assert sum(seen) <= 5 * len(seen)
