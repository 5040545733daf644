"""A project file that does not fit a log: every command says so once, near its answer."""

import json

import pytest

from looptime import cli

PROJECT = """
[[call]]
match = "driv.write"
kind = "actuator write"

[heading]
read_call = "gyroo.read"
"""


@pytest.fixture
def here(tmp_path, monkeypatch):
    """Two logs of three calls a loop, and a project file with two slips."""
    for number, name in enumerate(("run.csv", "other.csv")):
        rows = [
            f"{call},{10_000 * k + 11 * (k % (5 + number)) + at},{us + k % 7}"
            for k in range(300)
            for call, at, us in (("gyro.read", 0, 1800), ("lift.read", 2500, 3000),
                                 ("drive.write", 6500, 900))
        ]  # fmt: skip
        (tmp_path / name).write_text("name,start_us,duration_us\n" + "\n".join(rows) + "\n")
    (tmp_path / "looptime.toml").write_text(PROJECT)
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize(
    "words",
    [["summary", "run.csv"], ["summary", "run.csv", "other.csv"], ["slow", "run.csv"],
     ["plan", "run.csv"], ["heading", "run.csv"], ["pit", "run.csv"],
     ["compare", "run.csv", "--against", "other.csv"],
     ["report", "run.csv", "--out", "made.html"]],
)  # fmt: skip
def test_each_command_says_once_what_fits_no_call(here, capsys, words):
    """With the nearest names; it is no error, since the file may be meant for other logs too."""
    assert cli.run(words) in (0, 1, 3)
    out, err = capsys.readouterr()
    said = " ".join((out + err).split())
    assert said.count("looptime.toml names what no call of this log fits: ") == 1
    assert "[[call]] match 'driv.write' (nearest: 'drive.write')" in said
    assert "[heading] read_call 'gyroo.read' (nearest: 'gyro.read')" in said


def test_the_heading_cautions_before_anything_else(here, capsys):
    """Its read is guessed in place of the one that is named."""
    assert cli.run(["heading", "run.csv"]) == 0
    lines = capsys.readouterr().out.splitlines()
    (at,) = [k for k, line in enumerate(lines) if line.startswith("  caution looptime.toml names")]
    assert "[heading] read_call 'gyroo.read'" in " ".join(lines[at : at + 2])
    assert not any(line.startswith("  why") for line in lines[:at])


def test_a_project_that_fits_is_not_remarked_on(here, tmp_path, capsys):
    """Nor does JSON change: what is said stands on stderr."""
    assert cli.run(["summary", "run.csv", "--json"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["logs"]
    assert err.count("\n") == 1
    fit = PROJECT.replace("driv.write", "drive.*").replace("gyroo", "gyro")
    (tmp_path / "looptime.toml").write_text(fit)
    assert cli.run(["summary", "run.csv"]) == 0
    assert "names what no call" not in "".join(capsys.readouterr())
