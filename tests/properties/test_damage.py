"""Whatever happens to a log: the books balance or one line says what is wrong."""

import gzip

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import looptime
from looptime.errors import LogError, LooptimeError
from looptime.parsers.text import source
from looptime.parsers.text.table import blocks
from tests.properties.logs import LAYOUTS, check_books, tables, text

place = st.floats(0, 1, exclude_max=True)
damage = st.lists(
    st.one_of(
        st.tuples(st.just("cut"), place, place),
        st.tuples(st.just("swap"), place, place),
        st.tuples(st.just("twice"), place, place),
        st.tuples(st.just("drop"), place, place),
        st.tuples(st.just("glue"), place, place),
        st.tuples(st.just("garble"), place, st.binary(min_size=1, max_size=6)),
        st.tuples(st.just("insert"), place, st.binary(max_size=40)),
        st.tuples(st.just("say"), place, st.sampled_from(
            [b"# note: x", b"ok, all, good", b"nan,nan,nan", b",,", b'"', b"1e999,1,1", b"-1,-1,-1",
             b"99999999999999999999,a,1", b"gyro.read,nan,3", b"inf,1,inf", b"\xff\xfe", b"\r"])),
        st.tuples(st.just("end"), place, place),
    ),
    min_size=1,
    max_size=5,
)  # fmt: skip


def damaged(data, blows):
    """The log after a few accidents."""
    for kind, where, what in blows:
        lines = data.split(b"\n")
        at = int(where * len(lines))
        if kind == "cut":
            line = lines[at]
            lines[at] = line[: int(what * len(line))]
        elif kind == "swap":
            other = int(what * len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        elif kind == "twice":
            lines.insert(at, lines[at])
        elif kind == "drop":
            del lines[at]
        elif kind == "glue" and at + 1 < len(lines):
            lines[at : at + 2] = [lines[at] + lines[at + 1]]
        elif kind == "garble":
            line = lines[at]
            cut = len(line) // 2
            lines[at] = line[:cut] + what + line[cut + len(what) :]
        elif kind in ("insert", "say"):
            lines.insert(at, what)
        data = b"\n".join(lines)
        if kind == "end":
            data = data[: int(where * len(data))]
    return data


def outcome(path, **options):
    """Read a log: check its books, or that the error is one line about it."""
    try:
        log = looptime.read_log(path, **options)
    except LooptimeError as error:
        said = str(error)
    else:
        check_books(log)
        return log
    assert said
    assert "\n" not in said
    return None


@pytest.mark.parametrize("layout", LAYOUTS)
def test_damaged_logs(tmp_path, layout):
    """Cut, swapped, doubled, dropped, glued and garbled rows, and foreign lines."""
    path = tmp_path / "log.csv"

    @settings(max_examples=120)
    @given(tables(layout), damage)
    def holds(table, blows):
        path.write_bytes(damaged(text(*table[1:]).encode(), blows))
        outcome(path)

    holds()


@pytest.mark.parametrize("layout", LAYOUTS)
def test_one_damaged_row_costs_little(tmp_path, layout):
    """A garbled row takes at most itself and the loops around it along."""
    path = tmp_path / "log.csv"

    @settings(max_examples=25)
    @given(tables(layout, least=8), st.data())
    def holds(table, data):
        _, header, rows = table
        path.write_text(text(header, rows), encoding="utf-8")
        whole = looptime.read_log(path)
        at = data.draw(st.integers(1, len(rows) - 2))
        broken = [*rows[:at], ("?", *rows[at][1:], "??"), *rows[at + 1 :]]
        path.write_text(text(header, broken), encoding="utf-8")
        log = outcome(path)
        assert log is not None
        assert log.rows_read == whole.rows_read
        assert sum(len(run) for run in log.runs) >= sum(len(run) for run in whole.runs) - 3

    holds()


def test_random_bytes(tmp_path):
    """Noise is refused in one line, or read with balanced books."""
    path = tmp_path / "log.csv"

    @settings(max_examples=150)
    @given(st.one_of(st.binary(max_size=400), st.text(max_size=300).map(str.encode)))
    def holds(data):
        path.write_bytes(data)
        outcome(path)

    holds()


def test_random_cells(tmp_path):
    """So are rows of random cells under any header."""
    path = tmp_path / "log.csv"
    cell = st.one_of(
        st.integers(-(10**20), 10**20).map(str),
        st.floats(width=32).map(repr),
        st.sampled_from(["", "nan", "a", "begin", "end", "gyro", '"', "1e400", "12:00:01", "0"]),
    )
    name = st.sampled_from(
        ["time_us", "time", "name", "start_ms", "duration_us", "end_us", "edge", "loop", "dt_ms",
         "gyro_ms", "total", "section", "heading", "seq", "thread", "", "phase", "t", "x_start_us"]
    )  # fmt: skip

    @settings(max_examples=200)
    @given(st.data())
    def holds(data):
        fields = data.draw(st.integers(1, 5))
        header = data.draw(st.lists(name, min_size=fields, max_size=fields))
        rows = data.draw(
            st.lists(st.lists(cell, min_size=fields, max_size=fields), min_size=1, max_size=8)
        )
        path.write_text(text(header, rows), encoding="utf-8")
        layout = data.draw(st.sampled_from([None, *LAYOUTS]))
        outcome(path, layout=layout, unit=data.draw(st.sampled_from([None, "ms"])))

    holds()


def test_damaged_compressed_files(tmp_path):
    """Bytes changed or missing in a compressed file."""
    path = tmp_path / "log.csv.gz"

    @settings(max_examples=60)
    @given(tables(), place, st.binary(max_size=3), st.booleans())
    def holds(table, where, what, ends):
        data = gzip.compress(text(*table[1:]).encode(), mtime=0)
        at = int(where * len(data))
        path.write_bytes(data[:at] if ends else data[:at] + what + data[at + len(what) :])
        outcome(path)

    holds()


def test_small_blocks_change_nothing(tmp_path, monkeypatch):
    """Wherever a log is cut into blocks, the same rows come out."""
    path = tmp_path / "log.csv"

    @settings(max_examples=60)
    @given(tables(), damage, st.integers(20, 200))
    def holds(table, blows, size):
        data = damaged(text(*table[1:]).encode(), blows)
        if b'"' in data or b"\r" in data:
            return  # a quoted cell may be cut in two, which costs its row
        path.write_bytes(data)
        monkeypatch.setattr("looptime.parsers.text.table.blocks", blocks)
        one = outcome(path)
        monkeypatch.setattr(
            "looptime.parsers.text.table.blocks",
            lambda s, *_, **how: source.blocks(s, size, **how),
        )
        many = outcome(path)
        assert (one is None) == (many is None)
        if one is not None:
            for a, b in zip(one.runs, many.runs, strict=True):
                assert a.loops.equals(b.loops)
                assert a.calls.equals(b.calls)
                assert a.set_aside.line.tolist() == b.set_aside.line.tolist()
                assert a.set_aside.reason.tolist() == b.set_aside.reason.tolist()

    holds()


def test_bomb_is_capped(tmp_path, monkeypatch):
    """A small file that unpacks to far more than any log does is refused while it unpacks."""
    monkeypatch.setattr(source, "_RATIO_COUNTS_FROM", 1 << 20)
    path = tmp_path / "log.csv.gz"
    path.write_bytes(gzip.compress(b"time_ms,x\n" + b"1,1\n" * 2_000_000))
    with pytest.raises(LogError, match="unpacks to over 250 times its size"):
        looptime.read_log(path)


def test_endless_line_is_refused(tmp_path, monkeypatch):
    """A line of megabytes is refused before it fills the memory."""
    monkeypatch.setattr(source, "LONGEST_LINE", 1 << 20)
    path = tmp_path / "log.csv"
    path.write_bytes(b"time_ms,x\n0,1\n10,1\n" + b"7" * (12 << 20))
    with pytest.raises(LogError, match="a line is longer than 1 MB"):
        looptime.read_log(path)


def test_hole_of_zeros(tmp_path):
    """A file with a hole, as a crash leaves it, is read to its end and no more is kept of it."""
    path = tmp_path / "log.csv"
    with path.open("wb") as file:
        file.write(b"time_ms,x\n" + b"".join(b"%d,1\n" % (k * 10) for k in range(50)))
        file.seek(96 << 20, 1)
        file.write(b"500,1\n510,1\n")
    log = looptime.read_log(path)
    check_books(log)
    assert log.rows_read == 52
