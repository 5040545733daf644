"""However the program ends, what it put among the temporary files goes with it."""

import os
import signal
import subprocess
import sys
import time
import zipfile

import pytest

LOG = "time_us,gyro_us\n" + "".join(f"{8000 * k},{900 + k % 40}\n" for k in range(400))
ENDS = [one for one in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, one)]


def _started(folder, *words, **how):
    """The program with a folder of its own for temporary files."""
    how = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | how
    own = {"TMPDIR": str(folder), "LOOPTIME_CACHE": "", "PYTHONDONTWRITEBYTECODE": "1"}
    start = (
        "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        f"for one in {ENDS[1:]}: signal.signal(getattr(signal, one), signal.SIG_DFL)\n"
        "from looptime.__main__ import main; main()\n"  # some are ignored in the background
    )
    command = [sys.executable, "-c", start, *words]
    return subprocess.Popen(command, text=True, env=os.environ | own, **how)


@pytest.mark.skipif(os.name == "nt", reason="signals of other systems")
@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("words", [("-",), ("gate", "-", "-"), ("watch", "-")])
def test_ended_while_a_log_is_piped_in(tmp_path, words, end):
    """Told to end by ctrl-c, by a service manager, by a closed window: one line, nothing left."""
    with _started(tmp_path, *words) as process:
        process.stdin.write(LOG)
        process.stdin.flush()
        while words[0] != "watch" and not list(tmp_path.glob("looptime-*")):
            assert process.poll() is None
            time.sleep(0.02)
        if words[0] == "watch":
            process.stdout.readline()
        process.send_signal(getattr(signal, end))
        process.stdin.close()
        process.stdin = None
        _, told = process.communicate()
    assert list(tmp_path.iterdir()) == []
    assert process.returncode in ((130,) if words[0] != "watch" else (0, 130))
    assert "Traceback" not in told


def test_the_reader_goes_away(tmp_path):
    """What reads the answer closes the pipe at once."""
    reader, writer = os.pipe()
    os.close(reader)
    with _started(tmp_path, "-", "--full", stdout=writer) as process:
        os.close(writer)
        process.communicate(LOG)
    assert list(tmp_path.iterdir()) == []


def test_an_unforeseen_error(tmp_path):
    """The trace is kept and its place said; the copy of what was piped in is not."""
    own = {"TMPDIR": str(tmp_path), "LOOPTIME_CACHE": ""}
    broken = (
        "import sys, looptime.questions as questions, looptime.__main__ as program\n"
        "def summary(*_, **__): raise RuntimeError('a bug')\n"
        "import looptime.parsers.read as read; read.fresh = summary\n"
        "import looptime.parsers.fresh as fresh; fresh.fresh = summary\n"
        "sys.argv = ['looptime', '-', '--no-cache']; program.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", broken], input=LOG, text=True, capture_output=True,
        env=os.environ | own, check=False,
    )  # fmt: skip
    assert done.returncode == 4, done.stderr
    (left,) = tmp_path.iterdir()
    assert left.name.startswith("looptime-trace-")
    assert str(left) in done.stderr


@pytest.mark.parametrize("words", [("summary",), ("gate",), ("compare",)])
def test_logs_in_a_zip(tmp_path, words):
    """Unpacked logs are removed once they are read."""
    packed = tmp_path / "logs.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.csv", LOG)
        archive.writestr("b.csv", LOG)
    own = tmp_path / "own"
    own.mkdir()
    with _started(own, *words, str(packed), str(packed)) as process:
        process.communicate()
    assert list(own.iterdir()) == []


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
@pytest.mark.parametrize(("words", "code"), [(["-"], 2), (["no such log"], 2), (["-", "-q"], 2)])
def test_neither_the_answer_nor_the_complaint_can_be_written(tmp_path, words, code):
    """Where a full disk takes both, the exit code alone says that something is wrong."""
    with (
        open("/dev/full", "w", encoding="utf-8") as full,
        _started(tmp_path, *words, stdout=full, stderr=full) as process,
    ):
        process.communicate(LOG)
    assert process.returncode == code
