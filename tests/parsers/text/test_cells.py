"""Cells that hold nothing, or numbers with exponents."""

import numpy as np
import pyarrow as pa
import pytest

from looptime.parsers.text.cells import word_codes
from tests.parsers.build import periods_ms, read


def test_empty_and_nan_cells(tmp_path):
    """A value that is not there leaves its row; a time that is not there does not."""
    text = "time_ms,heading\n0,1\n10,nan\n20,\n30,n/a\n,5\nnan,5\n60,2\n70,3\n"
    run = read(tmp_path, text)
    assert periods_ms(run) == [10.0, 10.0, 10.0, 10.0]
    assert run.set_aside.counts == {
        "missing value": 2,
        "unfinished last loop": 1,
        "rows lost around it": 1,
    }
    assert np.isnan(run.signals.values["heading_deg"]).tolist() == [False, True, True, False]


def test_exponents(tmp_path):
    """Numbers may have exponents."""
    run = read(tmp_path, "time_s,heading\n0e0,1\n2e-2,7e-05\n4.0E-2,1\n0.06,1\n")
    assert periods_ms(run) == [20.0] * 3
    assert run.signals.values["heading_deg"][1] == 7e-05


def decoded(column: pa.Array) -> list[str]:
    """The words of the rows, as codes and texts give them."""
    codes, texts = word_codes(pa.chunked_array([column]))
    return [texts[code] for code in codes]


@pytest.mark.parametrize(
    "words", [["manual", "", "idle"], ["aa", "ab", "b"], [" a", "a", "é"], ["left out"], []]
)
@pytest.mark.parametrize("stays", [1, 3, 50])
@pytest.mark.parametrize("offset", [0, 7])
def test_words_that_stay_and_words_that_change_are_read_back(
    words: list[str], stays: int, offset: int
) -> None:
    """Rows read back as written, without blanks around, in an array cut out of a longer one."""
    rng = np.random.default_rng(stays)
    rows = [word for k in rng.integers(0, len(words), 40) for word in [words[k]] * stays] \
        if words else []  # fmt: skip
    column = pa.array(["zz"] * offset + rows, pa.string())[offset:]
    assert decoded(column) == [row.strip() for row in rows]


def test_codes_follow_the_order_in_which_words_are_met() -> None:
    """The first word has code 0, however long each is; Arrow's own coding says the same."""
    rows = ["long word"] * 20 + ["b"] * 20 + ["aa"] * 20 + ["b"] * 20
    column = pa.array(rows)
    codes, texts = word_codes(pa.chunked_array([column]))
    again = word_codes(pa.chunked_array([column.dictionary_encode()]))
    assert texts == ["long word", "b", "aa"] == again[1]
    assert codes.tolist() == again[0].tolist()


def test_numbers_that_are_names():
    """A column that Arrow read as whole numbers gives a word for each of them."""
    codes, texts = word_codes(pa.chunked_array([pa.array([7, 7, 12, None, 7])]))
    assert [texts[code] for code in codes] == ["7", "7", "12", "", "7"]
