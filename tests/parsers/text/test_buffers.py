"""Arrow's arrays become NumPy's as Arrow itself would make them, without loading pandas."""

import subprocess
import sys

import numpy as np
import pyarrow as pa
import pytest

from looptime.parsers.text.buffers import digits, firsts, marked, plain, present, spans, texts


@pytest.mark.parametrize("part", [slice(None), slice(3, 9), slice(5, 5)])
def test_arrays_and_what_is_missing_are_those_of_arrow(part):
    """Numbers and marks with gaps, whole and as slices that begin within a byte of bits."""
    numbers = pa.array([1.5, None, 3, 4, None, 6, 7, 8, None, 10])[part]
    marks = pa.array([True, None, False, True, True, None, False, True, True, False])[part]
    assert plain(numbers, -1.0).tolist() == numbers.fill_null(-1.0).to_pylist()
    assert present(numbers).tolist() == numbers.is_valid().to_pylist()
    assert marked(marks).tolist() == marks.fill_null(False).to_pylist()


def test_texts_come_back_as_they_went_in():
    """Empty ones and letters of several bytes among them; each stands where it is said to."""
    words = ["10:00", "", "é", "x" * 300]
    made = texts(words)
    assert made.equals(pa.array(words))
    end, letters = spans(made)
    assert letters[end[2] : end[3]].tobytes().decode() == "é"
    assert firsts(made[:2]).tolist() == [ord("1"), 0]
    assert len(texts([])) == 0


@pytest.mark.parametrize("seed", range(5))
def test_digits_are_the_numbers_that_python_reads(seed):
    """Up to 18 digits, also cut and filled up as behind a decimal mark, and in a slice."""
    rng = np.random.default_rng(seed)
    words = ["".join(map(str, rng.integers(0, 10, rng.integers(0, 19)))) for _ in range(200)]
    some = texts(words)[50:]
    assert digits(some, 18).tolist() == [int(word or 0) for word in words[50:]]
    filled = [int(word[:9].ljust(9, "0")) for word in words[50:]]
    assert digits(some, 9, fill=True).tolist() == filled


def test_a_log_with_dates_is_read_without_pandas(tmp_path):
    """Dates in its clock load nothing that a log with numbers does not."""
    log = tmp_path / "dates.csv"
    rows = [f"2026-03-01T10:00:{k / 50:06.3f},{k % 3},2.5\n" for k in range(200)]
    log.write_text("time,gyro_ms,drive_ms\n" + "".join(rows))
    code = "import sys, looptime; print(len(looptime.read(sys.argv[1])), 'pandas' in sys.modules)"
    command = [sys.executable, "-c", code, str(log)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["199", "False"], done.stderr
