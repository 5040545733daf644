"""What a log says does not hang on how it is written."""

import gzip

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import looptime
from tests.properties.logs import INSTANTS, LAYOUTS, LENGTHS, check_books, figures, tables, text


def read(path, data, **options):
    """The figures of a log."""
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    log = looptime.read_log(path, **options)
    check_books(log)
    return figures(log)


@pytest.mark.parametrize("layout", [layout for layout in LAYOUTS if INSTANTS[layout]])
def test_shifting_all_times(tmp_path, layout):
    """A clock that starts elsewhere gives the same loops."""

    @settings(max_examples=20)
    @given(tables(layout), st.integers(0, 10**9))
    def holds(table, shift):
        _, header, rows = table
        path = tmp_path / "log.csv"
        moved = [
            tuple(c + shift if at in INSTANTS[layout] else c for at, c in enumerate(row))
            for row in rows
        ]
        assert read(path, text(header, moved)) == read(path, text(header, rows))

    holds()


@pytest.mark.parametrize("layout", LAYOUTS)
def test_changing_the_unit(tmp_path, layout):
    """The same times in nanoseconds, milliseconds or seconds give the same loops."""
    timed = (*INSTANTS[layout], *LENGTHS.get(layout, ()))

    @settings(max_examples=20)
    @given(tables(layout), st.sampled_from(["ns", "ms", "s"]))
    def holds(table, unit):
        _, header, rows = table
        path = tmp_path / "log.csv"
        spell = {
            "ns": lambda us: f"{us}000",
            "ms": lambda us: f"{us // 1000}.{us % 1000:03d}",
            "s": lambda us: f"{us // 10**6}.{us % 10**6:06d}",
        }[unit]
        other = [tuple(spell(c) if at in timed else c for at, c in enumerate(row)) for row in rows]
        named = [name.replace("_us", f"_{unit}") for name in header]
        assert read(path, text(named, other)) == read(path, text(header, rows))
        # the unit may also be given by the caller
        bare = [name.replace("_us", "") for name in header]
        if layout not in ("stages", "costs"):  # there the unit marks the columns
            assert read(path, text(bare, other), unit=unit) == read(path, text(header, rows))

    holds()


@pytest.mark.parametrize("layout", LAYOUTS)
def test_changing_delimiter_order_and_compression(tmp_path, layout):
    """Delimiter, line ends, encoding, column order and compression change no figure."""

    @settings(max_examples=20)
    @given(tables(layout), st.data())
    def holds(table, data):
        _, header, rows = table
        path = tmp_path / "log.csv"
        plain = read(path, text(header, rows))
        for delimiter in ";\t| ":
            assert read(path, text(header, rows, delimiter)) == plain
        order = data.draw(st.permutations(range(len(header))))
        if layout == "costs":  # parts are laid out in the order of their columns
            order = sorted(order, key=lambda at: (at != 0, at)) if order[0] == 0 else [1, 2, 0]
        turned = text([header[k] for k in order], [[row[k] for k in order] for row in rows])
        assert read(path, turned) == plain
        assert read(path, turned.replace("\n", "\r\n")) == plain
        assert read(path, turned.encode("utf-16")) == plain
        assert read(path, gzip.compress(turned.encode())) == plain
        assert read(path, pa.compress(turned.encode(), "zstd", asbytes=True)) == plain

    holds()
