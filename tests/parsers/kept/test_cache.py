"""Prepared copies of logs: the same run again, never a stale, torn or damaged one."""

import gzip
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import looptime
from looptime.parsers import read as reading
from looptime.parsers.kept import cache, packed
from looptime.parsers.layouts.contract import Options
from looptime.project import Project
from looptime.tables import described
from tests.parsers.kept.build import refuse

HEADER = "loop,thread,seq,name,start_us,duration_us,phase,mark,value\n"


def rows(loops=60, period=10_000):
    """A log with two threads, phases, signals, marks and a bad row."""
    text = "# robot: tray-carrier\n" + HEADER
    for k in range(loops):
        at = k * period
        phase = "standby" if k < 20 else "drive"
        text += f"{k},main,{3 * k},gyro.read,{at + 10}.125,900,{phase},,\n"
        text += f"{k},main,{3 * k + 1},heading_deg,{at + 950},0,{phase},signal,{k / 2}\n"
        text += f"{k},reader,{k},lift.read,{at + 100},700,{phase},published,\n"
        text += f"{k},main,{3 * k + 2},loop,{at},{period},{phase},,\n"
    return text + "7,main,oops\n"


@pytest.fixture
def log(tmp_path):
    """A log file."""
    path = tmp_path / "log.csv"
    path.write_text(rows(), encoding="utf-8")
    return path


def same(one, two):
    """Whether two runs are equal, columns and all."""
    for (table, name, a), (table2, name2, b) in zip(
        packed._columns(one), packed._columns(two), strict=True
    ):
        assert (table, name) == (table2, name2)
        assert a.dtype == b.dtype
        assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f")
    assert described(one) == described(two)
    assert one.set_aside.text == two.set_aside.text
    assert one.names == two.names


def identity(log):
    """What a copy of a log that is read as it stands must say."""
    return cache.key(log, reading.options_of(None)).identity


def test_second_read_takes_the_copy(kept, log, monkeypatch):
    """The second read gives the same run without reading the log, and maps its columns."""
    first = looptime.read(log)
    assert len(list(kept.iterdir())) == 1
    monkeypatch.setattr(reading, "_fresh", refuse)
    second = looptime.read(log)
    same(first, second)
    base = second.call_columns.start_ns
    while isinstance(base, np.ndarray) and base.base is not None:
        base = base.base
    assert not isinstance(base, np.ndarray)  # the file, not a copy of it


def test_changed_log_is_read_again(kept, log):
    """Another content, or another time of change, is another log."""
    assert len(looptime.read(log)) == 60
    log.write_text(rows(loops=50), encoding="utf-8")
    assert len(looptime.read(log)) == 50
    same_size = rows(period=20_000)[: len(rows())]
    stamp = log.stat()
    log.write_text(same_size.ljust(stamp.st_size), encoding="utf-8")
    assert looptime.read(log).loop_columns.period_ns[0] == 20_000_000


def test_options_are_part_of_the_key(log):
    """A log read in another way has another copy."""
    plain = cache.key(log, Options())
    assert plain is not None
    assert cache.key(log, Options(unit="ms")) != plain
    assert cache.key(log, Options(loop_call="gyro.read")) != plain
    assert cache.key(log, Options()) == plain


def test_labels_are_applied_after_loading(kept, log, tmp_path):
    """A project file that changes takes effect on a prepared log."""
    looptime.read(log)
    file = tmp_path / "looptime.toml"
    file.write_text('[[call]]\nmatch = "gyro.*"\nbus = "port"\n', encoding="utf-8")
    run = looptime.read(log, project=Project.load(file))
    assert {name.name: name.bus for name in run.names}["gyro.read"] == "port"
    assert {n.name: n.bus for n in looptime.read(log).names}["gyro.read"] is None


@pytest.mark.parametrize("harm", ["cut", "zero", "scramble", "empty", "foreign", "contents"])
def test_damaged_copy_is_rebuilt_in_silence(kept, log, harm, capsys):
    """A copy that was cut, overwritten or replaced is read anew and replaced."""
    first = looptime.read(log)
    (file,) = kept.iterdir()
    data = bytearray(file.read_bytes())
    if harm == "cut":
        data = data[:-100]
    elif harm == "zero":
        data[-5000:] = bytes(5000)
    elif harm == "scramble":
        data[len(data) // 2 :] = os.urandom(len(data) - len(data) // 2)
    elif harm == "contents":
        data[200] ^= 0xFF
    else:
        data = bytearray(b"" if harm == "empty" else b"something else\n" * 100)
    file.write_bytes(data)
    same(first, looptime.read(log))
    assert capsys.readouterr() == ("", "")
    assert packed.load(file, identity(log))


def test_a_change_in_a_log_of_the_same_size_and_time_is_seen(kept, tmp_path):
    """One digit changed somewhere in the log, its time put back: the log is read again."""
    path = tmp_path / "log.csv"
    text = rows(200)
    path.write_text(text, encoding="utf-8")
    looptime.read(path)
    info = path.stat()
    place = text.index("gyro.read", len(text) // 2) + len("gyro.read,")
    for digit in "3579":
        path.write_text(text[:place] + digit + text[place + 1 :], encoding="utf-8")
        os.utime(path, ns=(info.st_atime_ns, info.st_mtime_ns))
        run = looptime.read(path)
        fresh = looptime.read(path, cache=False)
        same(run, fresh)


def test_a_long_log_is_compared_in_blocks_spread_over_it(tmp_path, monkeypatch):
    """Every block that is looked at shows a change in it; first, last and middle are among them."""
    monkeypatch.setattr(cache, "_COMPARED", 8 << 10)
    monkeypatch.setattr(cache, "_BLOCK", 1 << 10)
    path = tmp_path / "log"
    data = bytearray(os.urandom(1 << 17))
    path.write_bytes(data)
    before, step = cache._digest(path, len(data)), (len(data) - 1024) / 7
    for block in range(8):
        changed = data.copy()
        changed[int(block * step) + 500] ^= 1
        path.write_bytes(changed)
        assert cache._digest(path, len(data)) != before


@pytest.mark.skipif(sys.platform == "win32", reason="its files have no time of their own there")
def test_a_change_between_the_blocks_is_seen_by_the_systems_own_time(kept, log, monkeypatch):
    """A log changed where no block is looked at, its time put back, is read again."""
    monkeypatch.setattr(cache, "_digest", lambda place, size: 0)
    looptime.read(log)
    info, before = log.stat(), cache.key(log, Options())
    while log.stat().st_ctime_ns == info.st_ctime_ns:  # until the clock of the files ticks
        log.write_text(rows(period=20_000)[: info.st_size], encoding="utf-8")
        os.utime(log, ns=(info.st_atime_ns, info.st_mtime_ns))
    assert log.stat().st_mtime_ns == info.st_mtime_ns
    assert cache.key(log, Options()) != before


def test_a_log_that_changes_while_it_is_read_is_not_kept(kept, log, monkeypatch):
    """A copy of what was read would be believed for what stood there before."""
    fresh = reading._fresh

    def changed(path, options, progress):
        log.write_text(rows(loops=50), encoding="utf-8")
        return fresh(path, options, progress)

    monkeypatch.setattr(reading, "_fresh", changed)
    assert len(looptime.read(log)) == 50
    assert not kept.exists()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
@pytest.mark.parametrize("kind", ["link", "pipe", "folder", "other log"])
def test_what_is_no_copy_of_this_log_is_not_believed(kept, log, tmp_path, kind):
    """A link, a pipe, a folder or another log's copy in a copy's place is not used."""
    first = looptime.read(log)
    (file,) = kept.iterdir()
    whole = file.read_bytes()
    file.unlink()
    if kind == "link":
        (tmp_path / "elsewhere").write_bytes(whole)
        file.symlink_to(tmp_path / "elsewhere")
    elif kind == "pipe":
        os.mkfifo(file)
    elif kind == "folder":
        file.mkdir()
    else:
        other = tmp_path / "other.csv"
        other.write_text(rows(30), encoding="utf-8")
        looptime.read(other)
        next(kept.iterdir()).rename(file)
    same(first, looptime.read(log))
    if kind != "folder":
        assert file.is_file()
        assert not file.is_symlink()
        assert packed.load(file, identity(log))


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="no users here")
def test_a_copy_of_another_user_is_not_believed(kept, log, monkeypatch):
    """A copy that somebody else put there is made anew."""
    looptime.read(log)
    (file,) = kept.iterdir()
    monkeypatch.setattr(os, "getuid", lambda: os.stat(file).st_uid + 1)
    with pytest.raises(ValueError, match="this user"):
        packed.load(file, identity(log))


def test_a_change_in_the_parsers_makes_copies_anew(tmp_path, log):
    """After a parser's file changes, what was kept before is not served; else it is."""
    package = Path(looptime.__file__).parent
    shutil.copytree(package, tmp_path / "looptime", ignore=shutil.ignore_patterns("__pycache__"))
    code = (
        "import sys, looptime.parsers.read as r; r.PAYS_FROM = 0; seen = []; fresh = r._fresh\n"
        "r._fresh = lambda *a: seen.append(1) or fresh(*a)\n"
        "print(r.read(sys.argv[1]).clock.starts_from, len(seen))"
    )
    surroundings = {
        **os.environ, "PYTHONPATH": str(tmp_path), "LOOPTIME_CACHE": str(tmp_path / "cache"),
        "PYTHONDONTWRITEBYTECODE": "1",
    }  # fmt: skip

    def seen():
        asked = [sys.executable, "-c", code, str(log)]
        done = subprocess.run(
            asked, env=surroundings, cwd=tmp_path, capture_output=True, text=True, check=True
        )
        return done.stdout.strip()

    assert [seen(), seen()] == ["log 1", "log 0"]
    file = tmp_path / "looptime" / "parsers" / "layouts" / "calls.py"
    with file.open("a", encoding="utf-8") as out:
        out.write('\nLAYOUT = replace(LAYOUT, starts_from="elsewhere")\n')
    assert [seen(), seen()] == ["elsewhere 1", "elsewhere 0"]
    assert len(list((tmp_path / "cache").iterdir())) == 1


def test_no_cache(kept, log):
    """Who asks for it gets neither a copy read nor one written."""
    looptime.read(log, cache=False)
    assert not kept.exists()


def test_small_logs_are_not_kept(tmp_path, monkeypatch, log):
    """A copy of a small log would not pay."""
    monkeypatch.setenv("LOOPTIME_CACHE", str(tmp_path / "cache"))
    looptime.read(log)
    assert not (tmp_path / "cache").exists()


def test_folder_that_cannot_be_written(tmp_path, monkeypatch, log):
    """A cache folder that cannot be is no error."""
    (tmp_path / "file").write_text("x", encoding="utf-8")
    monkeypatch.setenv("LOOPTIME_CACHE", str(tmp_path / "file" / "cache"))
    monkeypatch.setattr(reading, "PAYS_FROM", 0)
    assert len(looptime.read(log)) == 60


def test_crash_in_mid_write_leaves_nothing(kept, log, monkeypatch):
    """A write that fails half way leaves no copy, and the run is given all the same."""

    def fail(runs, file, identity):
        file.write(b"half")
        raise OSError(28, "no space left")

    monkeypatch.setattr(cache, "save", fail)
    assert len(looptime.read(log)) == 60
    assert list(kept.iterdir()) == []


def test_oldest_copies_go_first(kept, tmp_path, monkeypatch):
    """Beyond the size limit the copy that was not used for longest is taken away."""
    logs = []
    for k in range(4):
        path = tmp_path / f"{k}.csv"
        path.write_text(rows(loops=50), encoding="utf-8")
        logs.append(path)
    files = []
    for k, path in enumerate(logs[:3]):
        before = set(kept.iterdir()) if kept.exists() else set()
        looptime.read(path)
        (new,) = set(kept.iterdir()) - before
        os.utime(new, (1000 + k, 1000 + k))
        files.append(new)
    looptime.read(logs[0])  # used again: now the newest
    monkeypatch.setattr(cache, "MOST_BYTES", int(3.5 * files[0].stat().st_size))
    looptime.read(logs[3])
    assert files[0].exists()
    assert not files[1].exists()
    assert files[2].exists()


def test_two_processes_at_once(kept, log):
    """Processes that write the same copy together leave one whole copy."""
    code = (
        "import looptime, looptime.parsers.read as r, sys; r.PAYS_FROM = 0; "
        "print(len(looptime.read(sys.argv[1])))"
    )
    started = [
        subprocess.Popen([sys.executable, "-c", code, str(log)], stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    assert [process.communicate()[0].strip() for process in started] == ["60", "60"]
    (file,) = kept.iterdir()
    assert len(packed.load(file, identity(log))[0]) == 60


@pytest.mark.parametrize(
    ("platform", "variable", "tail"),
    [
        ("win32", "LOCALAPPDATA", ("looptime", "Cache")),
        ("linux", "XDG_CACHE_HOME", ("looptime",)),
    ],
)
def test_folder_by_system(monkeypatch, tmp_path, platform, variable, tail):
    """Each system's own folder for such copies is used."""
    monkeypatch.delenv("LOOPTIME_CACHE", raising=False)
    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.setenv(variable, str(tmp_path))
    assert cache.folder() == tmp_path.joinpath(*tail)
    monkeypatch.setattr(sys, "platform", "darwin")
    assert cache.folder() == Path.home() / "Library" / "Caches" / "looptime"


def test_summary_of_a_mapped_run(kept, log):
    """Nothing that works on a run writes into it: mapped columns are read-only."""
    first = looptime.summarise(looptime.read(log))
    second = looptime.summarise(looptime.read(log))
    assert first.to_dict() == second.to_dict()


@pytest.mark.parametrize("ending", ["csv", "csv.gz"])
def test_the_share_read_is_told_while_a_log_is_read(tmp_path, ending):
    """Shares rise from above 0 to 1, whatever the file's wrapping; a prepared copy needs none."""
    rows = [f"{k},gyro.read,{1000 * k},{400 + k % 7}" for k in range(80_000)]
    text = "\n".join(["loop,name,start_us,duration_us", *rows]).encode()
    path = tmp_path / f"log.{ending}"
    path.write_bytes(gzip.compress(text) if ending.endswith("gz") else text)
    shares: list[float] = []
    run = looptime.read_log(path, cache=False, progress=shares.append).runs[0]
    assert len(run) == 79_999
    assert shares == sorted(shares)
    assert 0 < shares[0] < shares[-1] == 1.0
