"""The commands printed under findings: each reads the log as the finding's own run was read."""

import json
import shlex

import pytest

from looptime import cli
from looptime.guide.glossary import WORDS
from tests.build_run import slow_at_first

OPTIONS = [
    "--unit", "us", "--columns", "name,start,duration,skip it", "--from", "0.25", "--to", "3.9",
    "--keep-warmup", "--budget-ms", "12.5", "--loop-call", "gyro.read",
]  # fmt: skip
ROWS = [
    f"{name},{k * 10_000 + at},{took},{k % 4}\n"
    for k in range(400)
    for name, at, took in (
        ("gyro.read", 0, 3000 + k % 7),
        ("arm.read", 3100, 2000 + (2000 if k % 50 == 49 else 0)),
        ("motor.write", 7200, 1000),
    )
]


@pytest.fixture
def places(tmp_path, monkeypatch):
    """A log without header, and a project file that is not found by itself."""
    (tmp_path / "here").mkdir()
    (tmp_path / "robot").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    log, project = tmp_path / "my log.csv", tmp_path / "robot" / "looptime.toml"
    log.write_text("".join(ROWS), encoding="utf-8")
    project.write_text('[robot]\nname = "tray"\n', encoding="utf-8")
    return log, project


def commands(args, capsys):
    """Loops of the one run of a summary, and the commands that it offers."""
    assert cli.run(["summary", *args, "--json"]) == 0
    (run,) = json.loads(capsys.readouterr().out)["logs"][0]["runs"]
    return run["loops"]["used"], {f["command"] for f in run["findings"] if f["command"]}


def test_a_command_reads_the_same(places, capsys):
    """Each offered command names the same project and rests on the same loops."""
    log, project = places
    loops, offered = commands([str(log), "--project", str(project), *OPTIONS], capsys)
    assert 350 < loops < 370  # from 0.25 s to 3.9 s in loops of 10 ms
    assert offered
    for line in offered:
        program, command, *rest = shlex.split(line)
        assert program == "looptime"
        for option in OPTIONS[::2]:
            assert rest.count(option) == 1
        assert cli.run([command, *rest]) == 0
        shown = capsys.readouterr().out
        assert f"project {project.as_posix()}" in "".join(shown.split("\n          "))
        assert f"{loops:,} loops" in " ".join(shown.split()), line


def test_what_is_found_by_itself_is_not_named(places, capsys, monkeypatch):
    """The project file of the working folder is not repeated, nor is an option that nobody gave."""
    log, project = places
    monkeypatch.chdir(project.parent)
    args = ["--project", str(project), "--columns", "name,start,duration,skip it", "--unit", "us"]
    _, offered = commands([str(log), *args], capsys)
    assert offered
    for line in offered:
        assert line.endswith(' --unit us --columns "name,start,duration,skip it"')


def test_heading_leaves_the_warm_up_out(tmp_path, capsys):
    """The first 60 of 600 loops are twice as long: out as in the summary, in with --keep-warmup."""
    log = tmp_path / "warm.csv"
    log.write_text(slow_at_first(600, 60), encoding="utf-8")
    for option, cut in (([], True), (["--keep-warmup"], False)):
        assert cli.run(["summary", str(log), "--json", *option]) == 0
        loops = json.loads(capsys.readouterr().out)["logs"][0]["runs"][0]["loops"]
        args = ["heading", str(log), "--motion", "steady:90", *option]
        assert cli.run([*args, "--json"]) == 0
        used = json.loads(capsys.readouterr().out)["parts"]["loops"]
        assert (used["in_run"], used["warmup"]) == (loops["count"], loops["warmup"])
        assert (50 <= used["warmup"] <= 70) if cut else used["warmup"] == 0
        assert used["in_run"] - used["warmup"] - used["used"] <= 1  # the last reading is not used
        assert cli.run(args) == 0
        assert ("left out as warm-up" in capsys.readouterr().out) == cut


def test_words_to_explain_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    """Without a word each is listed once; what is like none leads there, what is like one to it."""
    assert cli.run(["explain"]) == 0
    listed = " ".join(capsys.readouterr().out.split()).split(", ")
    assert len(listed) == len(set(listed)) == len({word.name for word in WORDS.values()})
    assert cli.run(["explain", "qqq"]) == 2
    assert "looptime explain lists them" in capsys.readouterr().err
    assert cli.run(["explain", "headrom"]) == 2
    assert "the nearest is 'headroom'" in capsys.readouterr().err


def test_options_say_what_they_take(capsys: pytest.CaptureFixture[str]) -> None:
    """A controller's options name milliseconds, calls and numbers, not types of a program."""
    assert cli.run(["control", "--help"]) == 0
    told = capsys.readouterr().out
    assert "--time-constant-ms MS " in told
    assert "--read-call NAME " in told
    assert not {"FLOAT", "TEXT"} & set(told.split())


def test_several_logs_are_told_together_and_then_one_by_one(tmp_path, capsys, monkeypatch):
    """The first line compares them; each log's own text stands below its name."""
    monkeypatch.chdir(tmp_path)
    paths = ["slow.csv", "fast.csv"]
    for name, ms in zip(paths, (20, 10), strict=True):
        rows = "".join(f"{ms * k}\n" for k in range(60))
        (tmp_path / name).write_text("t_ms\n" + rows, encoding="utf-8")
    assert cli.run([*paths, "--no-cache"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[0] == (
        "2 logs together: a loop takes 10.0 ms as a rule in fast.csv to 20.0 ms in slow.csv."
    )
    assert [line for line in said if line in paths] == paths


def test_two_logs_of_which_none_is_held_against_the_other(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What is missing is said as it is to be written."""
    assert cli.run(["compare", "before.csv", "after.csv"]) == 2
    assert "looptime compare BEFORE... --against AFTER..." in capsys.readouterr().err
