"""Adding logs gives the same bytes however many processes read them, and survives their death."""

import builtins
import contextlib
import io
import json
import os
import socket
import subprocess
import sys
import threading
from types import SimpleNamespace

import pytest

from looptime import cli, files
from looptime.checks.recording.recording import Settings
from looptime.checks.season.adding import Job, add_logs
from looptime.checks.season.season import Season, SeasonError
from looptime.errors import UsageError
from looptime.questions.doors import find_logs
from tests.checks.build import read_recipe, recording, write_recipes


def _jobs(paths, **labels):
    return [Job(path, read_recipe, Settings(**labels)) for path in paths]


def _bytes(season):
    root = season.folder / "entries"
    return {p.name: p.read_bytes() for p in root.rglob("*.parquet")}


def test_one_process_and_several_give_the_same_bytes(tmp_path):
    """Also with a log that stands there twice and one that cannot be read."""
    paths = write_recipes(tmp_path / "logs", 6)
    twice = tmp_path / "logs" / "run-90.log"
    twice.write_bytes((tmp_path / "logs" / "run-01.log").read_bytes())
    bad = tmp_path / "logs" / "run-91.log"
    bad.write_text("no recipe", encoding="utf-8")
    paths = find_logs(tmp_path / "logs")
    assert len(paths) == 8
    found = []
    for processes in (1, 2):
        season = Season(tmp_path / f"season-{processes}", create=True)
        added = add_logs(season, _jobs(paths, label="x"), processes=processes)
        assert (len(added.new), len(added.known)) == (6, 1)
        assert list(added.errors) == [str(bad)]
        found.append(_bytes(season))
    assert found[0] == found[1]
    assert len(found[0]) == 6


def test_a_second_call_reads_only_what_is_missing(tmp_path):
    """Known logs are skipped by the hash of their bytes; nothing is counted twice."""
    paths = write_recipes(tmp_path / "logs", 5)
    season = Season(tmp_path / "season", create=True)
    add_logs(season, _jobs(paths[:3]), processes=1)
    seen = []
    done = add_logs(
        season, _jobs(paths), processes=1, progress=lambda at, of: seen.append((at, of))
    )
    assert seen == [(1, 2), (2, 2)]
    assert (len(done.new), len(done.known)) == (2, 3)
    assert len(season.entries()) == 5
    assert len(add_logs(season, _jobs(paths, label="y"), processes=1, replace=True).new) == 5
    assert {e.facts.label for e in season.entries()} == {"y"}


def test_a_process_that_dies_takes_only_its_log_with_it(tmp_path):
    """The log that kills its process is named; every other log is added."""
    paths = write_recipes(tmp_path / "logs", 5)
    killer = tmp_path / "logs" / "run-02.log"
    killer.write_text(json.dumps({"die": True}), encoding="utf-8")
    season = Season(tmp_path / "season", create=True)
    added = add_logs(season, _jobs(paths), processes=2)
    assert list(added.errors) == [str(killer)]
    assert "process that read it died" in added.errors[str(killer)]
    assert len(season.entries()) == 4


def test_too_short_a_log_is_an_error_of_its_own(tmp_path):
    """A log with nothing left after the warm-up is named, the others are added."""
    paths = write_recipes(tmp_path / "logs", 2)
    short = tmp_path / "logs" / "run-50.log"
    short.write_text(json.dumps({"seed": 5, "loops": 50}), encoding="utf-8")
    season = Season(tmp_path / "season", create=True)
    added = add_logs(season, _jobs([*paths, str(short)]), processes=1)
    assert "after the warm-up" in added.errors[str(short)]
    assert len(added.new) == 2


@pytest.mark.parametrize("blocks", [0, 1])
def test_a_file_that_stops_answering_is_left_out(tmp_path, monkeypatch, blocks):
    """One file of a lost share, at once or after a block, is named; what else there is is added."""
    paths = write_recipes(tmp_path / "logs", 3)
    gone, opened = threading.Event(), files.open_plain

    class Lost(io.BytesIO):
        left = blocks

        def read(self, size=-1):
            if not self.left:
                gone.wait()
            self.left -= 1
            return super().read(size)

    def open_lost(path):
        if path == paths[1]:
            return Lost(bytes(1000))
        return opened(path)

    monkeypatch.setattr(files, "open_plain", open_lost)
    monkeypatch.setattr(files, "PATIENCE_S", 3.0)
    added = add_logs(Season(tmp_path / "season", create=True), _jobs(paths), processes=1)
    gone.set()
    assert list(added.errors) == [paths[1]]
    assert "does not answer" in added.errors[paths[1]]
    assert len(added.new) == 2


def test_a_folder_without_logs(tmp_path):
    """An empty folder is one line."""
    with pytest.raises(UsageError, match="holds no logs"):
        find_logs(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes with names")
@pytest.mark.parametrize("way", ["folder", "names"])
def test_pipes_devices_and_rings_of_links_are_not_waited_for(way, tmp_path, capsys):
    """Each is passed over with its reason, and the logs beside it are added."""
    logs = tmp_path / "logs"
    logs.mkdir()
    rows = "".join(f"{k},{20_000 * k + 300 * (k % 7)}\n" for k in range(600))
    (logs / "good.csv").write_text("loop,time_us\n" + rows, encoding="utf-8")
    os.mkfifo(logs / "pipe.csv")
    (logs / "device.csv").symlink_to("/dev/zero")
    (logs / "ring.csv").symlink_to(logs / "ring.csv")
    words = [str(logs)] if way == "folder" else sorted(map(str, logs.iterdir()))
    season = str(tmp_path / "season")
    assert cli.run(["season", "add", *words, "--season", season, "--processes", "1"]) == 2
    said = capsys.readouterr()
    assert said.out.startswith("1 run added")
    reasons = sorted(said.err.replace(f"{logs}/", "").splitlines())
    assert len(reasons) == 3
    for line, (name, why) in zip(reasons, {
        "device.csv": "is a pipe or a device",
        "pipe.csv": "is a pipe",
        "ring.csv": "Too many levels of symbolic links",
    }.items(), strict=True):  # fmt: skip
        assert line.startswith(f"looptime: not added: {name}: ")
        assert why in line
    assert cli.run(["season", "list", "--season", season]) == 0


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes with names")
@pytest.mark.parametrize("command", ["summary", "slow", "plan", "gate", "compare"])
def test_a_pipe_given_for_a_log_is_not_waited_for(command, tmp_path, capsys):
    """A pipe that nobody writes into is one line, for every command."""
    os.mkfifo(tmp_path / "pipe.csv")
    pipe = str(tmp_path / "pipe.csv")
    assert cli.run([command, pipe, *(["--against", pipe] if command == "compare" else [])]) == 2
    assert (
        "is a pipe that nobody writes to: save the log to a file first" in capsys.readouterr().err
    )


def _start(*words):
    return subprocess.Popen(
        [sys.executable, "-m", *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


@pytest.fixture
def cluster(tmp_path):
    """A real scheduler and two workers on loopback: its address and their processes."""
    pytest.importorskip("distributed")
    told = tmp_path / "scheduler.json"
    scheduler = _start(
        "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0",
        "--scheduler-file", str(told), "--no-dashboard", "--no-show",
    )  # fmt: skip
    address = None
    while address is None:  # its file is there before all of it is written
        assert scheduler.poll() is None
        with contextlib.suppress(OSError, ValueError):
            address = json.loads(told.read_text(encoding="utf-8"))["address"]
    spec = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--host", "127.0.0.1")
    processes = [scheduler, *(_start("distributed.cli.dask_worker", address, *spec) for _ in "12")]
    yield address, processes
    for process in processes:
        process.kill()
        process.wait()


def test_a_cluster_gives_the_same_bytes_though_a_worker_is_killed(tmp_path, cluster):
    """The log that a killed worker had in hand is read by the other one."""
    address, (_, worker, _) = cluster
    paths = write_recipes(tmp_path / "logs", 12)
    here = Season(tmp_path / "here", create=True)
    add_logs(here, _jobs(paths), processes=1)
    there = Season(tmp_path / "there", create=True)
    killed = []

    def kill_one(done, _):
        if done == 2:
            worker.kill()
            killed.append(done)

    added = add_logs(there, _jobs(paths), scheduler=address, progress=kill_one)
    assert killed == [2]
    assert added.errors == {}
    assert _bytes(there) == _bytes(here)


def test_a_scheduler_that_goes_away_keeps_what_is_done(tmp_path, cluster, monkeypatch):
    """One line; the runs that were done stay, and a second call adds the rest."""
    monkeypatch.setattr(os, "cpu_count", lambda: 2)  # so that not all is under way when it goes
    address, (scheduler, *_) = cluster
    paths = write_recipes(tmp_path / "logs", 60)
    season = Season(tmp_path / "season", create=True)
    with pytest.raises(SeasonError, match="the scheduler went away: what was done is kept"):
        add_logs(
            season, _jobs(paths), scheduler=address,
            progress=lambda done, _: scheduler.kill() if done == 2 else None,
        )  # fmt: skip
    there = len(season.entries())
    assert 2 <= there < 60
    rest = add_logs(season, _jobs(paths), processes=1)
    assert len(rest.new) == 60 - there
    assert len(season.entries()) == 60


@pytest.mark.parametrize("asked", ["submit", "result"])
@pytest.mark.parametrize(
    ("raised", "says"),
    [
        ("OSError", "the scheduler went away: what was done is kept"),
        ("CommClosedError", "the scheduler went away"),
        ("FutureCancelledError", "the scheduler went away"),
        ("ClosedClientError", "the scheduler went away"),
        ("ModuleNotFoundError", r"cannot do the work \(ModuleNotFoundError\): give its workers"),
    ],
)
def test_each_way_in_which_a_cluster_fails_is_one_line(tmp_path, monkeypatch, asked, raised, says):
    """It depends on the moment which of them a scheduler that dies gives."""
    distributed = pytest.importorskip("distributed")
    from distributed import client as of_client
    from distributed import comm

    kinds = {**vars(builtins), **vars(of_client), **vars(comm)}
    told = 2 if raised == "FutureCancelledError" else 1

    def fails(*_, **__):
        raise kinds[raised](*("read", "it is gone")[-told:])

    cluster = SimpleNamespace(
        submit=fails if asked == "submit" else lambda *_, **__: SimpleNamespace(result=fails),
        close=lambda **_: None,
    )
    monkeypatch.setattr(distributed, "Client", lambda *_, **__: cluster)
    season = Season(tmp_path / "season", create=True)
    with pytest.raises(SeasonError, match=says):
        add_logs(season, _jobs(write_recipes(tmp_path / "logs", 2)), scheduler="tcp://seedlings:1")


def test_a_scheduler_that_does_not_answer_is_one_line(tmp_path, monkeypatch):
    """The address is named, with what to do; it is not waited for without end."""
    distributed = pytest.importorskip("distributed")
    real, waited = distributed.Client, []

    def client(address, timeout, **given):
        waited.append(timeout)
        return real(address, timeout="1s", **given)

    monkeypatch.setattr(distributed, "Client", client)
    season = Season(tmp_path / "season", create=True)
    paths = write_recipes(tmp_path / "logs", 1)
    with socket.socket() as nobody:  # has the port, and does not listen
        nobody.bind(("127.0.0.1", 0))
        with pytest.raises(SeasonError, match="no scheduler answers"):
            add_logs(season, _jobs(paths), scheduler=f"tcp://127.0.0.1:{nobody.getsockname()[1]}")
    assert waited == ["10s"]


def _two_runs(path):
    return [recording(k, loops=300, source=path) for k in (1, 2)]


def test_a_log_of_which_a_run_was_dropped_is_read_again(tmp_path):
    """Of a log with two runs one is missing: it is known only when both are there."""
    log = tmp_path / "two.log"
    log.write_text("two runs", encoding="utf-8")
    season = Season(tmp_path / "season", create=True)
    job = Job(str(log), _two_runs, Settings())
    first = add_logs(season, [job], processes=1)
    assert len(first.new) == 2
    assert (add_logs(season, [job], processes=1).new, len(season.entries())) == ([], 2)
    season.drop(first.new[:1])
    again = add_logs(season, [job], processes=1)
    assert (again.new, again.known) == (first.new[:1], first.new[1:])
    assert len(season.entries()) == 2
