"""Every next step that is printed works as it stands, whoever wrote the log."""

import json
import re
import shlex

import numpy as np
import pytest

from looptime import cli
from looptime.samples import folder
from tests.two_threads import Job, play

ASKED = (
    ["summary", "--full"], ["slow"], ["plan"], ["pit"], ["columns"],
)  # fmt: skip
#: Exit codes of a command that did what it is for: fine, a check failed, can't tell.
DONE = (0, 1, 3)


def loops(seed, *parts, count=420):
    """Times [ms] of so many loops: begin, and of each part, in one of 17 loops far longer."""
    rng, now = np.random.default_rng(seed), 0.0
    for k in range(count):
        took = [ms * rng.normal(1, 0.03) + (8.0 if k % 17 == 5 else 0) * (ms == 1) for ms in parts]
        yield k, now, took
        now += sum(took) + 0.1


def prints():
    """A student's prints, with prose between them."""
    lines = [f"loop {k}: gyro {a:.1f} encoders {b:.1f} motors {c:.1f} screen {d:.1f} ms\n"
             for k, _, (a, b, c, d) in loops(1, 2, 6, 4, 1)]  # fmt: skip
    return "robot started\nGO\n" + "".join(lines[:200]) + "tray closed\n" + "".join(lines[200:])


def table():
    """A robot program's table."""
    rows = (f"{t:.2f},{a:.3f},{b:.3f},{c:.3f}\n" for _, t, (a, b, c) in loops(2, 3, 7, 1))
    return "time_ms,gyro_read_ms,motor_write_ms,dashboard_ms\n" + "".join(rows)


def sheet():
    """A spreadsheet with decimal commas, and names with blanks."""
    rows = (f"{t / 1000:.4f};{a:.2f};{b:.2f};{c:.2f}\n" for _, t, (a, b, c) in loops(3, 2, 8, 1))
    return "Time [s];Gyro [ms];Wheel sensors [ms];Arm [ms]\n" + "".join(rows).replace(".", ",")


def pairs():
    """Keys and values."""
    return "".join(f"t={t / 1000:.4f} imu_ms={a:.2f} read={b:.2f} write={c:.2f}\n"
                   for _, t, (a, b, c) in loops(4, 1, 6, 5))  # fmt: skip


def objects():
    """An object a line, calls below a key."""
    return "".join(
        json.dumps({"t": round(t / 1000, 4), "calls_ms": {"imu": round(a, 3), "log": round(b, 3)}})
        + "\n"
        for _, t, (a, b) in loops(5, 6, 1)
    )


def threads():
    """Calls of two threads, one of which holds the bus of the other."""
    played = play(
        {
            "main": lambda rng: [
                Job("imu.read", 1.8, "a"),
                *(Job(f"steer.{k}.read", 0.8, "a") for k in range(4)),
                Job("drive.write", 3.0, "a"),
            ],
            "poller": lambda rng: [Job("range.read", 3.0, "a", gap_ms=6.0)],
        },
        300,
    )
    rows = sorted(played.rows, key=lambda row: row[2])
    return "thread,name,start_us,duration_us\n" + "".join(
        f"{thread},{name},{1000 * ask:.0f},{1000 * (done - ask):.0f}\n"
        for thread, name, ask, done, _ in rows
    )


def creeps():
    """No loop stands out, and one part takes longer from loop to loop."""
    rng, now, lines = np.random.default_rng(9), 0.0, []
    for k in range(1000):
        took = [2 * rng.normal(1, 0.02), 8 * rng.normal(1, 0.02), 1 + k / 1000]
        lines.append(f"{now:.2f},{took[0]:.3f},{took[1]:.3f},{took[2]:.3f}\n")
        now += sum(took) + 0.5
    return "t_ms,gyro_ms,wheels_ms,arm_ms\n" + "".join(lines)


def at_rest():
    """A loop's time, and signals of a robot that stands still at times."""
    rows = (
        f"{t / 1000:.4f},{min(max(k - 100, 0), 200) * 0.31:.2f},{30 * (100 < k < 300)}\n"
        for k, t, _ in loops(6, 18, 1)
    )
    return "time,heading_deg,targets/wheel\n" + "".join(rows)


def few():
    """A recording of a quarter of a second."""
    return "".join(f"loop took {18 + k % 3} ms\n" for k in range(14))


HANDS = {
    "prints.txt": prints, "tray run 1.csv": table, "Stanza & Co.csv": sheet, "pairs.log": pairs,
    "run.jsonl": objects, "threads.csv": threads, "wide.csv": at_rest, "few.txt": few,
}  # fmt: skip


def check_next_steps(log, given, capsys):
    """Ask everything of a log, and then type every command that was printed."""
    steps = []
    for words in ASKED:
        cli.run([words[0], log, *words[1:], *given])
        steps += re.findall(r"> (looptime .*\S)", capsys.readouterr().out)
    assert steps
    for step in dict.fromkeys(steps):
        code = cli.run(shlex.split(step)[1:])
        assert code in DONE, (step, capsys.readouterr().err)
    capsys.readouterr()
    return steps


@pytest.mark.parametrize("name", HANDS)
def test_steps_printed_for_a_log_work_as_they_stand(name, tmp_path, monkeypatch, capsys):
    """Logs of eight hands, with blanks in names of files and of calls."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / name).write_text(HANDS[name](), encoding="utf-8")
    check_next_steps(name, [], capsys)


def test_steps_printed_for_a_sample_log_work_as_they_stand(monkeypatch, capsys):
    """With the part of the log and the project that were asked for."""
    monkeypatch.chdir(folder())
    given = ["--to", "12", "--project", "gyro_on_aux.toml", "--budget-ms", "22"]
    steps = check_next_steps("gyro_thread_same_bus_barging.csv.gz", given, capsys)
    assert all("--to 12" in step and "--budget-ms 22" in step for step in steps
               if step.startswith(("looptime plan", "looptime slow")))  # fmt: skip


#: What is asked of a log to see which next step each answer names.
COMMANDS = (
    "summary", "slow", "plan", "heading", "control", "pit", "gate", "columns", "explain stall",
)  # fmt: skip


def said_apart(words):
    """The words of a command without those that say how much is shown."""
    kept, skip = [], False
    for word in words:
        if not skip and word not in ("--full", "--quiet", "--top"):
            kept.append(word)
        skip = word == "--top"
    return kept


def never_itself(typed, capsys):
    """No command that an answer names is the one that was typed, nor one that shows less of it."""
    cli.run(typed)
    said = capsys.readouterr()
    for step in re.findall(r"(?:> |next: )(looptime .*\S)", said.out + said.err):
        assert said_apart(shlex.split(step)[1:]) != said_apart(typed), step


@pytest.mark.parametrize("name", [*HANDS, "creeps.csv"])
def test_no_answer_names_itself_as_the_next_step(name, tmp_path, monkeypatch, capsys):
    """Nor with the options under which the log was read; one log has no slow loop, and a drift."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / name).write_text(HANDS.get(name, creeps)(), encoding="utf-8")
    for command in COMMANDS:
        never_itself([*command.split(), name], capsys)
    never_itself(["summary", name, "--full"], capsys)
    never_itself(["slow", name, "--to", "4"], capsys)
    for more in (["--loop", "30"], ["--top", "20"], ["--keep-warmup"]):
        never_itself(["slow", name, *more], capsys)


def test_a_loop_of_the_end_is_the_next_step_of_what_creeps(tmp_path, monkeypatch, capsys):
    """No loop stands out, so the list of slow ones is no step: a late loop shows what grew."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "creeps.csv").write_text(creeps(), encoding="utf-8")
    assert cli.run(["slow", "creeps.csv"]) == 0
    told = capsys.readouterr().out
    (step,) = re.findall(r"> (looptime .*\S)", told)
    words = shlex.split(step)[1:]
    assert words[:3] == ["slow", "creeps.csv", "--loop"]
    assert int(words[3]) >= 890
    assert cli.run(words) == 0
    first = capsys.readouterr().out.partition("more ms\n")[2].split()[0]
    assert {"unattributed": "time outside"}.get(first, first) in told


@pytest.mark.parametrize("name", ["paced_50hz.csv.gz", "round.csv.gz"])
def test_no_answer_about_a_sample_names_itself(name, monkeypatch, capsys):
    """Of a paced loop, and of a log with phases."""
    monkeypatch.chdir(folder())
    for command in COMMANDS:
        never_itself([*command.split(), name], capsys)
    never_itself(["compare", name, "--against", "single_reads.csv.gz"], capsys)


@pytest.mark.parametrize("name", ["threads.csv", "tray run 1.csv", "prints.txt"])
def test_summary_and_plan_say_one_and_the_same_first(name, tmp_path, monkeypatch, capsys):
    """What a summary with predictions says of its first finding is the first plan, or none is."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / name).write_text(HANDS[name](), encoding="utf-8")
    assert cli.run(["summary", name, "--predict", "--json"]) == 0
    (run,) = json.loads(capsys.readouterr().out)["logs"][0]["runs"]
    first = run["findings"][0]
    assert cli.run(["plan", name, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    if told["unanswered"] is None:
        assert f"{told['proposed'][0]['say']}: " in first["text"]
    else:
        assert "predicted" not in first["text"]
