"""Logs of one folder that look like threads of one program: read as one, and never wrongly."""

import json
from pathlib import Path

import pytest

from looptime import cli
from tests.two_threads import Job, Played, play


def played(other_lock: str, seed: int) -> Played:
    """A loop that weighs trays while another thread fetches pictures, on one lock or on two."""
    return play(
        {
            "main": lambda rng: [Job("scale.read", 1.5, "bus"), Job("wheels.write", 2.0)],
            "cam": lambda rng: [
                Job("frame.fetch", 3.0, other_lock, gap_ms=2 + rng.uniform(0, 0.5))
            ],
        },
        1500,
        seed=seed,
    )


def written(place: Path, at: Played, thread: str, begin_ms: float = 0.0) -> None:
    rows = sorted(row for row in at.rows if row[0] == thread)
    text = [
        f"{name},{ask + begin_ms:.4f},{done + begin_ms:.4f}\n"
        for _, name, ask, done, _ in sorted(rows, key=lambda row: row[2])
    ]
    place.write_text("call,start_ms,end_ms\n" + "".join(text))


def edges(place: Path, at: Played, thread: str) -> None:
    rows = [row for row in at.rows if row[0] == thread]
    ends = [(ask, name, "begin") for _, name, ask, _, _ in rows]
    ends += [(done, name, "end") for _, name, _, done, _ in rows]
    place.write_text("t_ms,call,edge\n" + "".join(f"{t:.4f},{n},{e}\n" for t, n, e in sorted(ends)))


def asked(folder: Path, capsys: pytest.CaptureFixture[str]) -> dict:
    assert cli.run(["summary", str(folder), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("write", [written, edges])
def test_a_wait_between_two_files_is_found(tmp_path, capsys, write):
    at = played("bus", 3)
    write(tmp_path / "cam.csv", at, "cam")
    write(tmp_path / "drive.csv", at, "main")
    said = asked(tmp_path, capsys)
    assert len(said["logs"]) == 2  # each file keeps its own
    (held,) = said["threads"]
    assert held["known_by"] == "waits"
    (wait,) = held["runs"][0]["contention"]
    assert wait["calls"] == ["scale.read"]
    true = at.wait_ms()["scale.read"]
    assert wait["wait_ms_per_loop"]["value"] == pytest.approx(true, rel=0.05)


def test_the_command_that_is_named_gives_the_same(tmp_path, capsys):
    at = played("bus", 4)
    written(tmp_path / "cam.csv", at, "cam")
    written(tmp_path / "drive.csv", at, "main")
    held = asked(tmp_path, capsys)["threads"][0]
    path = f"{tmp_path / 'drive.csv'}+{tmp_path / 'cam.csv'}"
    assert held["path"] == path
    assert cli.run(["summary", str(tmp_path)]) == 0
    assert f"> looptime summary {Path(path).as_posix()}\n" in capsys.readouterr().out
    assert cli.run(["summary", path, "--json"]) == 0
    (log,) = json.loads(capsys.readouterr().out)["logs"]
    assert log == {key: value for key, value in held.items() if key != "known_by"}
    rows = log["rows"]
    assert rows["read"] == len(at.rows) == rows["used"] + rows["set_aside"]


def test_a_clock_that_stands_far_on_tells_without_a_wait(tmp_path, capsys):
    at = played("own bus", 5)
    written(tmp_path / "cam.csv", at, "cam", 912_345.0)
    written(tmp_path / "drive.csv", at, "main", 912_345.0)
    (held,) = asked(tmp_path, capsys)["threads"]
    assert held["known_by"] == "clock"
    assert held["runs"][0]["contention"] == []


@pytest.mark.parametrize("seed", range(3))
def test_two_days_whose_clocks_begin_at_zero_stay_apart(tmp_path, capsys, seed):
    written(tmp_path / "drive.csv", played("bus", 10 + seed), "main")
    written(tmp_path / "cam.csv", played("bus", 20 + seed), "cam")
    assert [held["known_by"] for held in asked(tmp_path, capsys)["threads"]] == [None]
    assert cli.run(["summary", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "can't tell whether they are threads of one run" in " ".join(said.split())
    assert "waits for" not in said


def test_recordings_of_one_program_are_no_threads(tmp_path, capsys):
    for day in range(2):
        written(tmp_path / f"day{day}.csv", played("bus", 30 + day), "main")
    assert "threads" not in asked(tmp_path, capsys)


def test_recordings_after_one_another_are_no_threads(tmp_path, capsys):
    at = played("bus", 6)
    written(tmp_path / "cam.csv", at, "cam", 912_345.0)
    written(tmp_path / "drive.csv", at, "main", 1_912_345.0)
    assert "threads" not in asked(tmp_path, capsys)


def test_what_cannot_be_held_together_is_one_line(tmp_path, capsys):
    at = played("bus", 7)
    written(tmp_path / "cam.csv", at, "cam", 912_345.0)
    written(tmp_path / "drive.csv", at, "main")
    assert cli.run(["summary", f"{tmp_path / 'drive.csv'}+{tmp_path / 'cam.csv'}"]) == 2
    said = capsys.readouterr().err
    assert "has no call while the loop of the first log runs" in said
    assert said.count("\n") == 1


def test_a_thread_of_one_call_is_read_beside_its_loop(tmp_path, capsys):
    """Under headers that by themselves may as well be two instants of each loop."""
    at = played("own", 3)
    for thread in ("cam", "main"):
        rows = sorted((row for row in at.rows if row[0] == thread), key=lambda row: row[2])
        text = "".join(f"{a:.4f},{b:.4f},{name}\n" for _, name, a, b, _ in rows)
        (tmp_path / f"{thread}.csv").write_text(f"t_begin_ms,t_end_ms,func\n{text}")
    both = f"{tmp_path / 'main.csv'}+{tmp_path / 'cam.csv'}"
    assert cli.run(["summary", both, "--json"]) == 0
    (run,) = json.loads(capsys.readouterr().out)["logs"][0]["runs"]
    assert {"scale.read", "wheels.write", "frame.fetch"} == {c["name"] for c in run["calls"]}
