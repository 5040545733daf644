"""Arrow's arrays as NumPy's, and texts as Arrow's, without what Arrow itself loads for that.

Whatever Arrow makes of Python's values, and most of what it makes of its own, asks whether they
are pandas' first: that takes longer to load than a short log to read.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Int

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["digits", "firsts", "marked", "plain", "present", "spans", "texts"]


def texts(cells: Sequence[str]) -> pa.StringArray:
    """Texts as an array of Arrow's.

    Examples
    --------
    >>> texts(["10:00", "", "\u00e9"]).to_pylist()
    ['10:00', '', '\u00e9']
    """
    import pyarrow as pa

    every = [cell.encode() for cell in cells]
    ends = np.cumsum([0, *map(len, every)], dtype=np.int32)
    letters = pa.py_buffer(b"".join(every))
    return pa.StringArray.from_buffers(len(cells), pa.py_buffer(ends), letters)


def spans(array: pa.StringArray) -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
    """Where each text begins and the last one ends, shape (n + 1,), and the letters of all."""
    _, ends, letters = array.buffers()
    end = np.frombuffer(ends, np.int32)[array.offset : array.offset + len(array) + 1]
    return end, np.frombuffer(b"" if letters is None else letters, np.uint8)


def plain(array: pa.Array, missing: float) -> NDArray[Any]:
    """A primitive Arrow array as NumPy, with a value for what is missing."""
    dtype = np.dtype(str(array.type).replace("double", "float64"))
    if not len(array):
        return np.empty(0, dtype)
    values = np.frombuffer(array.buffers()[1], dtype)[array.offset : array.offset + len(array)]
    return values if not array.null_count else np.where(present(array), values, dtype.type(missing))


def present(array: pa.Array) -> Bool:
    """Which values of an Arrow array are there."""
    bits = array.buffers()[0]
    if bits is None or not array.null_count:
        return np.ones(len(array), bool)
    return _bits(bits, array)


def marked(array: pa.BooleanArray) -> Bool:
    """Which values of an Arrow array are true.

    Examples
    --------
    >>> import pyarrow as pa
    >>> marked(pa.array([True, False, None, True])).tolist()
    [True, False, False, True]
    """
    return _bits(array.buffers()[1], array) & present(array) if len(array) else np.zeros(0, bool)


def _bits(bits: pa.Buffer, array: pa.Array) -> Bool:
    flat = np.unpackbits(np.frombuffer(bits, np.uint8), bitorder="little")
    return flat[array.offset : array.offset + len(array)].astype(bool)


def digits(array: pa.StringArray, most: int, fill: bool = False) -> Int:
    """Texts of digits as whole numbers, 0 where there is none; those past `most` do not count.

    With `fill` zeros follow where there are fewer, as behind a decimal mark.

    Examples
    --------
    >>> digits(texts(["", "7", "042"]), 18).tolist(), digits(texts(["5", "123456"]), 3, fill=True)
    ([0, 7, 42], array([500, 123]))
    """
    end, letters = spans(array)
    begin, length = end[:-1].astype(np.int64), np.diff(end)
    made = np.zeros(len(array), np.int64)
    for place in range(most if fill else min(most, int(length.max(initial=0)))):
        there = place < length
        made[there] = 10 * made[there] + (letters[begin[there] + place] - ord("0"))
        if fill:
            made[~there] *= 10
    return made


def firsts(array: pa.StringArray) -> NDArray[np.uint8]:
    """The first letter of each text, 0 where there is none.

    Examples
    --------
    >>> firsts(texts(["-12", ""])).tolist() == [ord("-"), 0]
    True
    """
    end, letters = spans(array)
    made, there = np.zeros(len(array), np.uint8), np.diff(end) > 0
    made[there] = letters[end[:-1][there]]
    return made
