"""Logs that are named by an address and reached through fsspec."""

import codecs
import gzip
import os
import uuid

import pyarrow as pa
import pytest

import looptime
from looptime.checks.recording.recording import Settings
from looptime.checks.season.adding import add_logs
from looptime.checks.season.season import Season
from looptime.checks.season.workers import Job
from looptime.errors import LogError
from looptime.parsers.read import read_log
from looptime.questions import Asked
from tests.parsers.build import periods_ms, read
from tests.parsers.text.build import PERIODS, PLAIN, check

fsspec = pytest.importorskip("fsspec")
TEXT = "time_ms,heading\n" + "".join(f"{20 * k + k % 3},{k}\n" for k in range(400))


@pytest.fixture
def address():
    """A log in a store that lives in memory."""
    at = f"memory://{uuid.uuid4().hex}/log.csv"
    with fsspec.open(at, "wb") as file:
        file.write(TEXT.encode())
    return at


def test_an_address_reads_as_the_file_does(address, tmp_path):
    """The same bytes give the same run, wherever they are kept."""
    path = tmp_path / "log.csv"
    path.write_bytes(TEXT.encode())
    assert looptime.read(address).loops.equals(looptime.read(path).loops)


def test_season_of_addresses(address, tmp_path):
    """A season takes logs by their addresses, and knows them again."""
    season = Season(tmp_path / "season", create=True)
    job = Job(address, Asked().parts, Settings())
    assert len(add_logs(season, [job], processes=1).new) == 1
    assert len(add_logs(season, [job], processes=1).known) == 1


@pytest.mark.parametrize("at", ["memory://nowhere/log.csv", "nosuchstore://a/log.csv"])
def test_bad_addresses_are_one_line(at):
    """What cannot be reached says so."""
    with pytest.raises(LogError) as caught:
        looptime.read(at)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("mark", "encoding"),
    [
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
        (b"", "utf-16-le"),
        (b"", "utf-16-be"),
    ],
)
def test_encodings(tmp_path, mark, encoding):
    """UTF-8 and UTF-16 of both orders, with and without a byte-order mark."""
    check(read(tmp_path, mark + PLAIN.encode(encoding)))


@pytest.mark.parametrize(
    ("header", "unit_ns"), [("zeit (µs);für;größe", 1000), ("temps_µs;clé;côté", 1000)]
)
@pytest.mark.parametrize("encoding", ["latin-1", "utf-8"])
def test_letters_of_one_byte_each(tmp_path, header, unit_ns, encoding):
    """A header written by an old program is read with the unit that stands in it."""
    rows = [f"{20_000 * k + k % 3};{12 + k % 7 / 10};{k % 5 - 2}" for k in range(60)]
    run = read(tmp_path, "\r\n".join([header, *rows, ""]).encode(encoding))
    assert (run.clock.unit, run.clock.unit_from) == ("us", "header")
    assert periods_ms(run)[:3] == [20.001, 20.001, 19.998]
    assert set(run.signals.values) == set(header.split(";")[1:])


def test_noise_that_looks_like_a_mark(tmp_path):
    """Bytes of a line that was not yet ready are no byte-order mark of what follows."""
    noise = b"\xff\xfe~rst cause 2\nboot mode 3\n"
    run = read(tmp_path, noise + PLAIN.encode())
    assert periods_ms(run) == PERIODS
    assert run.set_aside.counts == {"not a row": 2, "unfinished last loop": 1}


def test_logs_with_marks_joined(tmp_path):
    """A byte-order mark before a header met again, or alone in the last line, is no text."""
    path = tmp_path / "two.csv"
    one = "\ufefftime_us,x\n" + "".join(f"{1000 + 20_000 * k},{k}\n" for k in range(4))
    two = "\ufefftime_us,x\n" + "".join(f"{500 + 20_000 * k},{k * k}\n" for k in range(5))
    path.write_text(one + two + "\ufeff", encoding="utf-8")
    log = read_log(path)
    assert [run.loop_columns.period_ns.tolist() for run in log.runs] == [
        [20_000_000] * 3, [20_000_000] * 4,
    ]  # fmt: skip
    assert log.runs[0].clock.restarts == (7,)
    assert log.rows_read == 9


def test_nul_bytes(tmp_path):
    """Zeros that a crash left behind a line, or that fill up a field, are no text."""
    data = PLAIN.encode()
    line = data.index(b"\n", 60) + 1
    check(read(tmp_path, data[:line] + b"\0" * 5000 + data[line:]))
    check(read(tmp_path, data[: line - 1] + b"\0" * 12 + data[line - 1 :]))
    check(read(tmp_path, data + b"\0" * 5000))


@pytest.mark.parametrize("hole", [b"\0" * 512, b"\xff" * 512])
@pytest.mark.parametrize("line", ["{},9", '{{"t_ms": {}, "imu_ms": 9}}'])
def test_a_row_with_a_hole_is_none(tmp_path, hole, line):
    """What stands before and behind a block that was never written is not joined to one row."""
    rows = [line.format(20 * k).encode() for k in range(3000)]
    rows[20] = rows[20][:4] + hole + rows[22][3:]
    head = b"" if rows[0][:1] == b"{" else b"t_ms,imu_ms\n"
    (tmp_path / "log.csv").write_bytes(head + b"\n".join(rows[:21] + rows[23:]) + b"\n")
    log = looptime.read_log(tmp_path / "log.csv", cache=False)
    torn = log.rows_by_reason
    assert torn.get("not a row", 0) + torn.get("wrong number of fields", 0) == 1
    assert log.rows_by_reason["rows lost around it"] == 1
    assert set(log.runs[0].loop_columns.period_ns.tolist()) == {20_000_000}


@pytest.mark.parametrize(
    "compress", [gzip.compress, lambda d: pa.compress(d, "zstd", asbytes=True)]
)
def test_compressed(tmp_path, compress):
    """Files of gzip and zstd are read as they are, whatever the file is called."""
    check(read(tmp_path, compress(PLAIN.encode())))


@pytest.mark.parametrize(
    "compress", [gzip.compress, lambda d: pa.compress(d, "zstd", asbytes=True)]
)
def test_compressed_file_cut_short(tmp_path, compress):
    """What came before the cut is read, and the cut is told."""
    text = "time_ms,heading\n" + "".join(f"{k * 10},{k * 7919 % 360}\n" for k in range(200_000))
    data = compress(text.encode())
    run = read(tmp_path, data[: len(data) // 2])
    assert 20_000 < len(run) < 199_000
    assert set(periods_ms(run)) == {10.0}
    assert any("cut short" in note for note in run.clock.notes)


def test_bytes_that_are_no_utf8(tmp_path):
    """A letter of one byte is read as what it is."""
    text = b"name,start_us,duration_us\n" + b"".join(
        b"gyro \xb0C,%d,300\n" % (k * 1000) for k in range(4)
    )
    run = read(tmp_path, text)
    assert len(run) == 3
    assert run.names[0].name == "gyro °C"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_pipe_is_refused(tmp_path):
    """A pipe without a writer would wait for ever."""
    path = tmp_path / "pipe"
    os.mkfifo(path)
    with pytest.raises(LogError, match="save the log to a file"):
        looptime.read(path)


def test_a_mistyped_file_has_the_nearest_of_its_folder(tmp_path):
    """Of the file's own folder; nothing is guessed where no name is like it."""
    (tmp_path / "bench_monday.csv").write_text("time_ms\n0\n", "utf-8")
    with pytest.raises(LogError, match=r"no such file; the nearest is '.*/bench_monday\.csv'"):
        looptime.read(tmp_path / "bench_mondy.csv")
    with pytest.raises(LogError, match=r"there is no such file$"):
        looptime.read(tmp_path / "qq.jsonl")
