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
    assert said == ([] if lines < 360 else [
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
