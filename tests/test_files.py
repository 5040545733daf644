"""Files that are whole or not there, and an output that is full."""

import io
import os
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from looptime import files
from looptime.errors import UsageError
from looptime.files import whole_file, write_whole

ROWS = "loop,name,start_ms,duration_ms\n" + "".join(
    f"{k},gyro.read,{20 * k},{2 + k % 3}\n{k},drive,{20 * k + 5},{9}\nbroken row {k}\n"
    for k in range(60)
)


def test_takes_its_place_when_whole(tmp_path):
    """The old text stands until the new one is whole; nothing else is left in the folder."""
    place = tmp_path / "out.txt"
    place.write_text("old", encoding="utf-8")
    with whole_file(place) as part:
        part.write_text("new", encoding="utf-8")
        assert place.read_text(encoding="utf-8") == "old"
        assert part.parent == tmp_path
    assert place.read_text(encoding="utf-8") == "new"
    assert list(tmp_path.iterdir()) == [place]


@pytest.mark.parametrize("error", [OSError("full"), RuntimeError("ours"), KeyboardInterrupt()])
def test_whatever_goes_wrong_leaves_the_old(error, tmp_path):
    """A write that fails, a fault or an interruption in the middle change nothing."""
    place = tmp_path / "out.txt"
    place.write_text("old", encoding="utf-8")

    def fail():
        with whole_file(place) as part:
            part.write_text("half", encoding="utf-8")
            raise error

    with pytest.raises((UsageError, RuntimeError, KeyboardInterrupt)):
        fail()
    assert place.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [place]


def test_new_refuses_what_is_there(tmp_path):
    """Where nothing may be there yet, what is there stays, be it a file, a folder or a link."""
    (tmp_path / "file").write_text("old", encoding="utf-8")
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    for name in ("file", "folder", "link"):
        with pytest.raises(UsageError, match="is there already; nothing was written"):
            write_whole(tmp_path / name, "new", new=True)
    assert (tmp_path / "file").read_text(encoding="utf-8") == "old"
    assert not (tmp_path / "nowhere").exists()


def test_a_card_without_links_refuses_too(tmp_path, monkeypatch):
    """A file system that knows no links takes a new file and refuses one that is there."""

    def refuse(source, target):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    write_whole(tmp_path / "a", "new", new=True)
    with pytest.raises(UsageError, match="is there already"):
        write_whole(tmp_path / "a", "newer", new=True)
    assert (tmp_path / "a").read_text(encoding="utf-8") == "new"


def test_link_rights_folders_and_device(tmp_path):
    """A link is written through, rights are kept, folders made when asked; a device stays one."""
    real, link = tmp_path / "real", tmp_path / "link"
    real.write_text("old", encoding="utf-8")
    real.chmod(0o640)
    link.symlink_to(real)
    write_whole(link, "new")
    assert link.is_symlink()
    assert real.read_text(encoding="utf-8") == "new"
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    write_whole(tmp_path / "a" / "b", "deep", folders=True)
    with pytest.raises(UsageError, match="cannot be written: No such file or directory"):
        write_whole(tmp_path / "c" / "d", "deep")
    write_whole(os.devnull, "gone")
    assert stat.S_ISCHR(Path(os.devnull).stat().st_mode)


WRITERS = {
    "rows set aside": ["summary", "--set-aside", "OUT"],
    "draft": ["summary", "--draft-project", "OUT"],
    "report": ["report", "--out", "OUT.html"],
    "parquet": ["export", "--out", "OUT.parquet"],
    "csv": ["export", "--out", "OUT.csv"],
    "junit": ["gate", "--junit", "OUT"],
    "markdown": ["gate", "--markdown", "OUT"],
}


@pytest.mark.skipif(sys.platform == "win32", reason="Windows sets no limit to the size of files")
@pytest.mark.parametrize("what", WRITERS)
def test_disk_full_leaves_the_old_file(what, tmp_path):
    """Where a file cannot grow, one line says so and what was there before is still there."""
    log = tmp_path / "log.csv"
    log.write_text(ROWS, encoding="utf-8")
    words = [word.replace("OUT", str(tmp_path / "out")) for word in WRITERS[what]]
    old = None if what == "draft" else Path(words[-1])
    if old is not None:
        old.write_text("old", encoding="utf-8")
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (16, 16));"
        "from looptime.__main__ import main; sys.argv[0] = 'looptime'; main()"
    )
    command = [sys.executable, "-c", code, words[0], str(log), *words[1:]]
    done = subprocess.run(command, check=False, capture_output=True, text=True, timeout=600)
    assert done.returncode == 2, done.stdout + done.stderr
    assert done.stderr.count("\n") == 1
    assert "cannot be written: File too large" in done.stderr
    left = {log} if old is None else {log, old}
    assert set(tmp_path.iterdir()) == left
    assert old is None or old.read_text(encoding="utf-8") == "old"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("words", [["summary"], ["summary", "--json"], ["slow"], ["--help"]])
def test_full_output_is_said_in_a_line(words, tmp_path):
    """Where what is printed cannot be written, one line says so and the exit code is 2."""
    log = tmp_path / "log.csv"
    log.write_text(ROWS, encoding="utf-8")
    command = [sys.executable, "-m", "looptime", *words, *([] if "--help" in words else [log])]
    with open("/dev/full", "w", encoding="utf-8") as full:
        done = subprocess.run(
            command, check=False, stdout=full, stderr=subprocess.PIPE, text=True, timeout=600
        )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "the output cannot be written: No space left on device" in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="closes by the shell's words")
@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-"])
def test_closed_streams_are_no_fault(closed, tmp_path):
    """A program started without one of its streams does its work."""
    log = tmp_path / "log.csv"
    log.write_text(ROWS, encoding="utf-8")
    line = f'"{sys.executable}" -m looptime export "{log}" --out "{tmp_path}/out.csv" {closed}'
    done = subprocess.run(["sh", "-c", line], check=False, capture_output=True, timeout=600)
    assert done.returncode == 0
    assert (tmp_path / "out.csv").read_text(encoding="utf-8").startswith("# looptime-run: ")


def test_no_warning_of_a_library_is_shown():
    """What a library warns of reaches nobody's screen, here and in processes started."""
    code = (
        "import subprocess, sys, warnings; import looptime.cli;"
        "warn = 'import warnings; warnings.warn(chr(33) * 3)';"
        "call = lambda: subprocess.call([sys.executable, '-c', warn]);"
        "looptime.cli.run = lambda words: exec(warn) or call();"
        "from looptime.__main__ import main; main()"
    )
    clean = {k: v for k, v in os.environ.items() if k != "PYTHONWARNINGS"}
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, check=False, capture_output=True, text=True, env=clean)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes with a name are another system's")
def test_a_pipe_that_nobody_reads_is_not_waited_for(tmp_path):
    """Opening it would last for ever; with a reader it is written to like a device."""
    pipe = tmp_path / "out.csv"
    os.mkfifo(pipe)
    with pytest.raises(UsageError, match="is a pipe that nobody reads"):
        write_whole(pipe, "a,b\n")
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        write_whole(pipe, "a,b\n")
        assert os.read(reader, 99) == b"a,b\n"
    finally:
        os.close(reader)


@pytest.mark.skipif(os.name == "nt", reason="needs pipes that do not wait")
def test_a_file_that_does_not_answer_is_an_error():
    """Files of the kernel are plain and may hold nothing yet: no reader gets None for bytes."""
    reader, writer = os.pipe()
    os.set_blocking(reader, False)
    with io.BufferedReader(files._Answering(reader, "rb")) as file:
        for read in (file.read, lambda: file.read(4), lambda: next(file)):
            with pytest.raises(OSError, match="does not answer"):
                read()
        os.write(writer, b"0,9")
        os.close(writer)
        assert file.read() == b"0,9"


class Stopping(io.BytesIO):
    """A file of which its first bytes come, and no others until it is let go."""

    def __init__(self):
        super().__init__(bytes(3 * files._BLOCK))
        self.asked, self.go_on = [], threading.Event()

    def read(self, size=-1):
        self.asked.append(size)
        if len(self.asked) > 1:
            self.go_on.wait()
        return super().read(size)


def test_a_file_that_stops_answers_only_for_its_first_bytes(monkeypatch):
    """One byte is asked for, or all of it; while one waits no other is sent, and it is known."""
    file, opened = Stopping(), []

    def open_plain(path):
        opened.append(path)
        return file

    monkeypatch.setattr(files, "open_plain", open_plain)
    assert files.answers("run.csv", whole=False)
    assert (file.asked, file.closed) == ([1], True)
    file.__init__()
    assert not files.answers("run.csv", 0.05)
    assert not files.answers(os.path.abspath("run.csv"), 60, whole=False)
    assert len(opened) == 2
    waiting = files._WAITING[os.path.abspath("run.csv")]
    assert waiting.daemon  # a command that ends does not wait for it
    file.go_on.set()
    waiting.join()
    assert file.asked[-2:] == [files._BLOCK] * 2  # to its end
    file.__init__()
    file.go_on.set()
    assert files.answers("run.csv", 60)
    assert os.path.abspath("run.csv") not in files._WAITING


@pytest.mark.parametrize("error", [OSError, ValueError])
def test_a_file_that_cannot_be_opened_answers(error, monkeypatch):
    """With an error, also of its name, which is told where it is read."""

    def open_plain(path):
        raise error

    monkeypatch.setattr(files, "open_plain", open_plain)
    assert files.answers("run.csv", 60)


def test_a_file_that_two_ask_for_at_once_answers_both(monkeypatch):
    """A page and the list of logs may ask for one at the same moment: neither calls it lost."""
    begun, go = threading.Event(), threading.Event()
    asked = []

    def opened(path):
        asked.append(path)
        if len(asked) == 1:
            begun.set()
            go.wait()
        return io.BytesIO(b"rows")

    monkeypatch.setattr(files, "open_plain", opened)
    first: list[bool] = []
    one = threading.Thread(target=lambda: first.append(files.answers("log.csv", 60)))
    one.start()
    begun.wait()
    assert files.answers("log.csv", 60)
    go.set()
    one.join()
    assert first == [True]
