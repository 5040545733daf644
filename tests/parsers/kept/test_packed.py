"""A copy's columns: light, and believed only where every byte is as it was written."""

import numpy as np
import pytest

import looptime
from looptime.parsers import read as reading
from looptime.parsers.kept import packed
from looptime.run import LoopColumns, Run
from tests.parsers.kept.build import refuse


def test_columns_of_one_word_stay_light(kept, tmp_path, monkeypatch):
    """A column that holds one value is stored once."""
    path = tmp_path / "one.csv"
    path.write_text(
        "name,start_us,duration_us\n" + "".join(f"a,{10_000 * k},50\n" for k in range(50)),
        encoding="utf-8",
    )
    looptime.read(path)
    monkeypatch.setattr(reading, "_fresh", refuse)
    assert looptime.read(path).call_columns.thread.strides == (0,)


def test_one_changed_value_is_noticed(tmp_path):
    """A copy in which one byte of a long column has changed is not believed."""
    count = 30_000
    loops = LoopColumns(np.arange(count), 10**7 * np.arange(count), np.full(count, 10**7))
    file = tmp_path / "copy"
    with file.open("wb") as out:
        packed.save((Run(loop_columns=loops),), out, "mine")
    data = file.read_bytes()
    assert len(packed.load(file, "mine")[0]) == count
    size = 8 * count
    first = len(data) - 3 * size  # three columns of 240 000 bytes, each a multiple of 64
    for at in range(first + 5, len(data), 30_011):
        changed = bytearray(data)
        changed[at] ^= 4
        file.write_bytes(changed)
        with pytest.raises(ValueError, match="damaged"):
            packed.load(file, "mine")


def test_two_values_that_changed_places_are_noticed():
    """The same values in another order are another column, next to each other or far apart."""
    column = np.arange(10**5) ** 2
    whole = packed.checksum(column)
    for one, other in ((0, 1), (5, 40_000), (32_767, 32_768), (100, 100 + 2**15), (7, 99_999)):
        moved = column.copy()
        moved[[one, other]] = moved[[other, one]]
        assert packed.checksum(moved) != whole
    assert packed.checksum(np.roll(column, 1)) != whole
    assert packed.checksum(column[::-1].copy()) != whole


def test_two_changes_that_a_sum_of_words_does_not_tell():
    """The highest bits of two words; two numbers with low bits alike, far apart; all signs."""
    count = np.arange(1 << 15)
    turned = count.copy()
    turned[[3, 100]] ^= np.int64(-(1 << 63))
    assert packed.checksum(turned) != packed.checksum(count)
    even = np.where(count == 1 << 14, 128.0, 64.0)
    moved = np.where(count == 0, 128.0, 64.0)
    assert packed.checksum(moved) != packed.checksum(even)
    assert packed.checksum(-even) != packed.checksum(even)
