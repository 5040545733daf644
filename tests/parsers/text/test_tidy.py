"""Lines with quotes are made fit to parse without a look at every line."""

import numpy as np
import pytest

from looptime.parsers.text import source
from looptime.parsers.text import tidy as module
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import read
from tests.parsers.text.build import PLAIN


@pytest.mark.parametrize("end", ["", "\n"], ids=["cut", "ended"])
@pytest.mark.parametrize("torn", [0, 7, 39])
def test_the_one_line_whose_quote_is_never_closed_is_blanked_out(torn, end):
    """Of forty rows of quoted words the torn one is found by its place, first, within or last."""
    rows = [f'"gyro ""{k}""",{k}' for k in range(40)]
    rows[torn] = f'"gyro,{torn}'
    like = sniff("name,x\na,1\n", "a.csv")
    data, found = module.tidy(bytearray("\n".join(rows) + end, "utf-8"), like)
    assert found == [(torn, rows[torn])]
    assert data.decode().split("\n")[:40] == [
        row if k != torn else "" for k, row in enumerate(rows)
    ]


def test_a_block_whose_quotes_are_closed_is_not_copied():
    """Quoted words cost no copy of the block, and no walk along its lines."""
    data = bytearray(b'"gyro",1\n' * 1000)
    assert module.tidy(data, sniff("name,x\na,1\n", "a.csv"))[0] is data


@pytest.mark.parametrize("row", ['"bro,1500,3', 'a"b,"1500,2'])
def test_quote_that_is_never_closed(tmp_path, row):
    """It costs its own row and not those after it."""
    rows = [f"gyro,{k * 1000},300\n" for k in range(5)]
    run = read(
        tmp_path, "name,start_us,duration_us\n" + "".join([*rows[:2], row + "\n", *rows[2:]])
    )
    assert run.set_aside.counts == {"wrong number of fields": 1, "unfinished last loop": 1}
    assert run.set_aside.line.tolist() == [4, 7]
    assert run.set_aside.text[0] == row
    assert len(run) == 4


def test_stray_carriage_return_moves_no_line(tmp_path):
    """A carriage return within a line ends no line."""
    run = read(tmp_path, PLAIN.replace("40.50,3.0\n", "40.50,3.0\r\n20%\r40%\n"))
    assert run.set_aside.line.tolist() == [5, 8]


def test_a_last_block_of_nothing_but_loose_quotes(tmp_path, monkeypatch):
    """No row is left of a block that holds one line without its end; the rest is read."""
    rows = [f"{20 * k},{k % 7}" for k in range(30)] + ['600"123456,3"1']
    monkeypatch.setattr(
        "looptime.parsers.text.table.blocks", lambda s, _size, **how: source.blocks(s, 12, **how)
    )
    run = read(tmp_path, "\n".join(["time_ms,heading", *rows]))
    assert run.rows_read == 31
    assert run.set_aside.line.tolist()[-1] == 32


@pytest.mark.parametrize("seed", range(40))
def test_lines_with_an_odd_number_of_quotes_are_told_as_by_counting_each(seed):
    """Random text of up to a few hundred letters, closed or not: the same lines as one by one."""
    rng = np.random.default_rng(seed)
    text = "".join(rng.choice(list('a1,"\n'), rng.integers(1, 300), p=[0.4, 0.3, 0.1, 0.1, 0.1]))
    for lines in (text.split("\n"), [f'"{k}",{line}' for k, line in enumerate("ab" * 60)]):
        odd = [k for k, line in enumerate(lines) if line.count('"') % 2]
        assert module._odd_lines("\n".join(lines).encode()) == odd
