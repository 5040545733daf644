"""A log reads the same by whatever door it comes in."""

import gzip
import io
import json
import os
import sys
import threading
import time
import zipfile
from pathlib import Path

import pytest

from looptime import cli, files
from looptime.errors import LogError, UsageError
from looptime.questions import Asked, zips
from looptime.questions.doors import at_hand, find_logs, logs_in, one_log, zip_of
from looptime.questions.pipes import kept, of_pipe

LOG = "time_us,gyro_us\n" + "".join(f"{k * 10_000},{1_000 + k % 7}\n" for k in range(400))
DAMAGED = LOG.replace("100000,1003\n", "100000,oops\n")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two logs as files, in a zip, each in a zip of its own, and one packed twice."""
    (tmp_path / "a.csv").write_text(LOG, "utf-8")
    (tmp_path / "b.log").write_text(DAMAGED, "utf-8")
    with zipfile.ZipFile(tmp_path / "two.zip", "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("day 1/a.csv", LOG)
        made.writestr("b.csv.gz", gzip.compress(DAMAGED.encode()))
        made.writestr("__MACOSX/day 1/._a.csv", "x")
        made.writestr("__MACOSX/c.csv", "x")
        made.writestr(".hidden.csv", "x")
        made.writestr("notes.md", "x")
    with zipfile.ZipFile(tmp_path / "one.zip", "w") as made:
        made.writestr("a.csv", LOG)
    return tmp_path


def figures(path: str) -> dict[str, object]:
    """All that is said of a log but its name."""
    log = Asked(cache=False).read(path)
    return {"hash": [r.loop_columns.period_ns.tolist() for r in log.runs], "rows": log.rows_read,
            "reasons": log.rows_by_reason}  # fmt: skip


def pipe(monkeypatch: pytest.MonkeyPatch, data: bytes) -> None:
    """Pipe bytes into the standard input."""
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))


def test_a_word_names_the_logs_behind_it(folder: Path) -> None:
    """A file, a folder, a zip, a pattern and an address; what is hidden or no log is left out."""
    two = f"{folder / 'two.zip'}"
    assert logs_in([str(folder / "a.csv")]) == [str(folder / "a.csv")]
    assert logs_in([two]) == [f"{two}/b.csv.gz", f"{two}/day 1/a.csv"]
    assert logs_in([str(folder)]) == find_logs(folder) == [
        str(folder / "a.csv"), str(folder / "b.log"),
    ]  # fmt: skip
    assert logs_in([str(folder / "*.csv"), "-"]) == [str(folder / "a.csv"), "-"]
    assert logs_in(["s3://bucket/day.zip", "nothere.csv"]) == ["s3://bucket/day.zip", "nothere.csv"]
    assert one_log(str(folder / "one.zip")) == f"{folder / 'one.zip'}/a.csv"
    with pytest.raises(UsageError, match=r"holds 2 logs.*two\.zip/b\.csv\.gz"):
        one_log(two)
    assert zip_of(f"{two}/day 1/a.csv") == folder / "two.zip"
    assert zip_of(str(folder / "a.csv")) is None


def test_every_door_gives_the_same_figures(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Loops, rows and reasons of a log are those of the file; its name is the one it was given."""
    for name, text in (("day 1/a.csv", LOG), ("b.csv.gz", DAMAGED)):
        plain = figures(str(folder / ("a.csv" if text == LOG else "b.log")))
        assert figures(f"{folder / 'two.zip'}/{name}") == plain
        for data in (text.encode(), gzip.compress(text.encode())):
            pipe(monkeypatch, data)
            assert figures("-") == plain
    inside = f"{folder / 'two.zip'}/day 1/a.csv"
    log = Asked().read(inside)
    assert log.path == log.runs[0].source == inside


def test_the_standard_input_can_be_asked_for_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is read once, and its rows set aside are written from what was kept of it."""
    pipe(monkeypatch, LOG.encode())
    assert figures("-") == figures("-")


def test_what_is_unpacked_does_not_stay(folder: Path) -> None:
    """The file that a zip's log is unpacked to is gone once it is read."""
    with at_hand(f"{folder / 'two.zip'}/b.csv.gz") as place:
        assert gzip.decompress(Path(place).read_bytes()).decode() == DAMAGED
    assert not Path(place).exists()


def test_the_commands_take_every_door(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A summary of a zip has one entry a log; without a command a log is summarised."""
    two = str(folder / "two.zip")
    assert cli.run(["summary", two, "--json"]) == 0
    logs = json.loads(capsys.readouterr().out)["logs"]
    assert [one["path"] for one in logs] == [f"{two}/b.csv.gz", f"{two}/day 1/a.csv"]
    for words in (["a.csv", "--json"], ["--json", "a.csv"], ["./a.csv", "--json"]):
        monkeypatch.chdir(folder)
        assert cli.run(words) == 0
        entry = json.loads(capsys.readouterr().out)["logs"][0]
        assert entry["rows"] == logs[1]["rows"]
        assert entry["runs"][0]["calls"] == logs[1]["runs"][0]["calls"]
    pipe(monkeypatch, LOG.encode())
    assert cli.run(["-", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["logs"][0]["rows"] == logs[1]["rows"]
    assert cli.run(["slow", "one.zip", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["path"] == "one.zip/a.csv"
    assert cli.run(["slow", "two.zip"]) == 2
    assert "name one of two.zip/b.csv.gz" in capsys.readouterr().err
    assert cli.run(["compare", "one.zip", "--against", "two.zip/day 1/a.csv", "--json"]) in (0, 3)
    assert json.loads(capsys.readouterr().out)["before"][0]["source"] == "one.zip/a.csv"


def test_rows_set_aside_come_from_the_zip(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """They have the log's own text; the zip itself is never written over."""
    target, inside = folder / "rows.csv", f"{folder / 'two.zip'}/b.csv.gz"
    before = (folder / "two.zip").read_bytes()
    assert cli.run(["summary", inside, "--set-aside", str(target)]) == 0
    plain = folder / "plain.csv"
    assert cli.run(["summary", str(folder / "b.log"), "--set-aside", str(plain)]) == 0
    assert target.read_text("utf-8") == plain.read_text("utf-8")
    assert "oops" in target.read_text("utf-8")
    assert cli.run(["summary", inside, "--set-aside", str(folder / "two.zip")]) == 2
    assert (folder / "two.zip").read_bytes() == before
    assert "is the log itself" in capsys.readouterr().err


def damaged(folder: Path) -> dict[str, Path]:
    """Zips that cannot be used, by what is wrong with them."""
    made = {name: folder / f"{name}.zip" for name in ("cut", "empty", "broken", "locked", "odd")}
    whole = (folder / "one.zip").read_bytes()
    made["cut"].write_bytes(whole[:500])
    with zipfile.ZipFile(made["empty"], "w") as archive:
        archive.writestr("picture.png", "x")
    middle = bytearray(whole)
    middle[200:260] = b"9" * 60
    made["broken"].write_bytes(middle)
    flagged, packed_oddly = bytearray(whole), bytearray(whole)
    for sign, flags, method in ((b"PK\x03\x04", 6, 8), (b"PK\x01\x02", 8, 10)):
        at = whole.index(sign)
        flagged[at + flags] |= 1  # says that it is encrypted
        packed_oddly[at + method] = 77  # no way of packing that is known
    made["locked"].write_bytes(flagged)
    made["odd"].write_bytes(packed_oddly)
    return made


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("cut", "damaged zip"),
        ("empty", "without logs"),
        ("broken", "damaged in the zip"),
        ("locked", "password"),
        ("odd", "cannot be unpacked"),
    ],
)
def test_a_zip_that_cannot_be_used_is_one_line(
    folder: Path, kind: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """It says what is wrong with it, exits with 2, and leaves the others' figures alone."""
    path = damaged(folder)[kind]
    assert cli.run(["summary", str(path), str(folder / "a.csv"), "--json"]) == 2
    out, err = capsys.readouterr()
    assert says in err
    assert err.count("\n") == 1
    assert path.name in err
    bad, good = json.loads(out)["logs"]
    assert says in bad["error"]
    assert good["rows"]["read"] == 400


def test_a_zip_bomb_is_not_unpacked(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is larger than may be is refused, whether the zip owns up to it or not."""
    monkeypatch.setattr(zips, "MOST_BYTES", 1000)
    with pytest.raises(LogError, match="GB unpacked: unpack what you want"):
        logs_in([str(folder / "two.zip")])
    with pytest.raises(LogError, match="is larger than"):
        Asked().read(f"{folder / 'two.zip'}/day 1/a.csv")
    monkeypatch.setattr(zips, "MOST_BYTES", 1 << 30)
    monkeypatch.setattr(zips, "MOST_LOGS", 1)
    with pytest.raises(LogError, match="is a zip of 2 logs"):
        logs_in([str(folder / "two.zip")])


def test_an_endless_pipe_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """More than may be unpacked is not taken from the standard input either."""
    monkeypatch.setattr(zips, "MOST_BYTES", 1000)
    pipe(monkeypatch, LOG.encode())
    with pytest.raises(LogError, match="is larger than"):
        Asked().read("-")


def test_nothing_piped_in_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A terminal is not waited for, and an empty pipe is an empty log."""
    pipe(monkeypatch, b"")
    assert cli.run(["-"]) == 2
    assert "is empty" in capsys.readouterr().err
    pipe(monkeypatch, b"")
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    assert cli.run(["-"]) == 2
    assert "nothing is piped" in capsys.readouterr().err


def test_help_names_a_command_or_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    """`help COMMAND` is what `COMMAND --help` prints; a word that is none is no log."""
    for words in (["slow"], ["season", "add"], []):
        assert cli.run(["help", *words]) == 0
        said = capsys.readouterr().out
        cli.run([*words, "--help"])
        assert said == capsys.readouterr().out
    assert cli.run(["help", "slo"]) == 2
    assert "the nearest is 'slow'" in capsys.readouterr().err
    assert cli.run(["sumary"]) == 2
    assert "No such command" in capsys.readouterr().err
    assert cli.run(["nothere.csv"]) == 2
    assert "there is no such file" in capsys.readouterr().err


def test_full_and_quiet_contradict_each_other(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One of them can be had; the project file's path is no part of the answer alone."""
    assert cli.run(["summary", str(folder / "a.csv"), "--full", "--quiet"]) == 2
    assert "give one of them" in capsys.readouterr().err
    (folder / "looptime.toml").write_text("", "utf-8")
    asked = ["slow", str(folder / "a.csv"), "--project", str(folder / "looptime.toml")]
    assert cli.run(asked) == 0
    told = capsys.readouterr().out
    assert cli.run([*asked, "--quiet"]) == 0
    alone = capsys.readouterr().out
    assert told.startswith(alone)
    assert "looptime.toml" in told
    assert "looptime.toml" not in alone


def test_a_folder_gives_every_log_that_is_read_alone(tmp_path):
    """JSON lines and tables by their names; pages and settings only where they hold rows."""
    rows = "".join(f'{{"time_ms": {10 * k}, "imu_ms": {2 + k % 3}.5}}\n' for k in range(200))
    for name in ("a.jsonl", "b.ndjson", "c.json", "d.xml", "e.dat"):
        (tmp_path / name).write_text(rows, encoding="utf-8")
    (tmp_path / "settings.json").write_text('{"loop": {"budget_ms": 20}}', encoding="utf-8")
    calls = {name: {"count": 20 + at, "total_ms": 31.5 + at} for at, name in enumerate("abcdefgh")}
    told = json.dumps({"seconds": 60, "calls": calls}, indent=1)
    (tmp_path / "told.json").write_text(told, encoding="utf-8")
    page = "# Notes\n\nThe third run was short.\n" + "".join(
        f"In the {nth} run the arm was held by hand.\n"
        for nth in ("first", "next", "fourth", "last")
    )
    table = "| log | p99 ms |\n| --- | --- |\n" + "| a | 22.5 |\n" * 4
    (tmp_path / "README.md").write_text(page + table, encoding="utf-8")
    found = [str(Path(name).relative_to(tmp_path)) for name in find_logs(tmp_path)]
    assert found == ["a.jsonl", "b.ndjson", "c.json", "d.xml", "e.dat"]


def test_a_folder_without_logs_says_what_to_do(tmp_path):
    """Empty, the folder was the wrong one; else a file in it may be named itself."""
    with pytest.raises(UsageError, match="name the folder into which"):
        find_logs(tmp_path)
    (tmp_path / "run.bin").write_text("", encoding="utf-8")
    with pytest.raises(UsageError, match=r"name run\.bin or the like itself"):
        find_logs(tmp_path)


def test_a_disk_is_no_folder_of_logs(tmp_path, monkeypatch):
    """Of so many folders the search gives up, in one line that says what to do."""
    monkeypatch.setattr("looptime.questions.doors._MOST_FOLDERS", 5)
    for k in range(4):
        (tmp_path / f"day{k}").mkdir()
        (tmp_path / f"day{k}" / "a.csv").write_text("t_ms\n0\n20\n")
    assert len(find_logs(tmp_path)) == 4
    (tmp_path / "day4").mkdir()
    with pytest.raises(UsageError, match="more than 5 folders: name the one"):
        find_logs(tmp_path)


@pytest.mark.skipif(not Path("/dev/fd").exists(), reason="no names of open pipes here")
def test_what_another_command_prints_is_a_log(folder: Path) -> None:
    """A pipe that is named is waited for as long as somebody writes, and can be asked twice."""
    reading, writing = os.pipe()

    def write() -> None:
        with os.fdopen(writing, "w") as out:
            for line in LOG.splitlines(keepends=True):
                out.write(line)
                time.sleep(0.001)

    threading.Thread(target=write).start()
    name = f"/dev/fd/{reading}"
    assert logs_in([name]) == [name]
    assert figures(name) == figures(name) == figures(str(folder / "a.csv"))
    os.close(reading)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes with names")
def test_a_pipe_that_nobody_writes_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is one line; from one that lies in a folder nothing is taken, though somebody writes."""
    place = tmp_path / "pipe.csv"
    os.mkfifo(place)
    assert cli.run(["summary", str(place)]) == 2
    assert capsys.readouterr().err == (
        f"looptime: {place}: is a pipe that nobody writes to: save the log to a file first\n"
    )
    other = tmp_path / "logs"
    other.mkdir()
    os.mkfifo(other / "pipe.csv")
    ours = os.open(other / "pipe.csv", os.O_RDWR | os.O_NONBLOCK)
    os.write(ours, LOG[:1000].encode())
    assert cli.run(["summary", str(other)]) == 2
    assert "is a pipe or a device" in capsys.readouterr().err
    assert os.read(ours, 1000) == LOG[:1000].encode()
    os.close(ours)


@pytest.mark.parametrize(
    "words", [["summary"], ["compare", "good.csv", "--against"], ["watch"],
              ["season", "add", "--season", "season"]],
)  # fmt: skip
def test_a_file_that_never_answers(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """As one on a share that is gone: one line, and nothing else is sent after it."""
    monkeypatch.chdir(tmp_path)
    Path("silent.csv").write_text(LOG, "utf-8")
    Path("good.csv").write_text(LOG, "utf-8")
    plain, ever, asked = files.open_plain, threading.Event(), []

    def opened(path: str | os.PathLike[str]) -> object:
        if Path(path).name == "silent.csv":
            asked.append(path)
            ever.wait()
        return plain(path)

    monkeypatch.setattr(files, "open_plain", opened)
    assert cli.run([*words, "silent.csv"]) == 2
    ever.set()
    assert "silent.csv: does not answer: is the disk or share" in capsys.readouterr().err
    assert len(asked) == 1


def test_a_pipe_that_is_gone_is_one_line(tmp_path: Path) -> None:
    """By the time it is opened: what the system says is passed on."""
    with pytest.raises(LogError, match="cannot be read: No such file"):
        of_pipe(str(tmp_path / "pipe.csv"))


def test_what_came_through_a_pipe_is_for_nobody_else() -> None:
    """It lies in a folder that only its owner may look into."""
    place = kept(io.BytesIO(LOG.encode()), "-")
    assert place.read_text("utf-8") == LOG
    assert place.parent.stat().st_mode & 0o777 == 0o700
