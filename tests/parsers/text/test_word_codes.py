"""Words of a column are coded alike, whichever way they are found."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from looptime.parsers.text.cells import word_codes


def decoded(column: pa.Array) -> list[str]:
    """The words of the rows, as codes and texts give them."""
    codes, texts = word_codes(pa.chunked_array([column]))
    return [texts[code] for code in codes]


@pytest.mark.parametrize(
    "words", [["teleop", "", "idle"], ["aa", "ab", "b"], [" a", "a", "é"], ["left out"], []]
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
