"""The programs in the recorders' guide, taken out of it, built and run as they stand there."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import need_tool
from tests.recorders.support import Log, read, unix_port

HERE = Path(__file__).resolve().parent
RECORDERS = HERE.parents[1] / "looptime" / "recorders"
GUIDE = (RECORDERS / "README.md").read_text(encoding="utf-8")
PROGRAMS = {
    name: code for code, name in re.findall(r"```\w+\n((?://|#) (\S+)\n.*?)```", GUIDE, re.DOTALL)
}
WARNINGS = ["-std=c++14", "-Wall", "-Wextra", "-Werror", "-O1", f"-I{HERE / 'guide'}"]


def do(folder: Path, *words: object) -> str:
    """Run a command in the folder, without words on the error stream; return what it prints."""
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE / "guide"), str(RECORDERS)])}
    env["MICROPYPATH"] = env["PYTHONPATH"]
    done = subprocess.run(
        [str(word) for word in words],
        check=False,
        capture_output=True,
        text=True,
        timeout=600,
        cwd=folder,
        env=env,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    return done.stdout


def check(log: Log, names: set[str], threads: set[str]) -> None:
    """Check what every one of the programs records."""
    assert log.meta["robot"] == "tray-carrier"
    assert log.meta["dropped"] == "0"
    assert {row["name"] for row in log.rows} == {"loop", "gyro.read", "heading_deg", *names}
    assert set(log.threads()) == threads
    assert {row["phase"] for row in log.rows if int(row["loop"]) > 5} == {"operator"}
    loops = [int(row["loop"]) for row in log.named("loop")]
    assert loops == list(range(len(loops)))
    assert len(loops) == 19
    for name in ("gyro.read", "heading_deg", "wheels.write"):
        assert [int(row["loop"]) for row in log.named(name)] == list(range(20))
    assert {row["value"] for row in log.named("heading_deg")} == {"12.5"}


def check_with_thread(log: Log, main: str = "main") -> None:
    """Check a program with a reading thread."""
    check(log, {"pose.read", "wheels.write", "pacing.wait"}, {main, "pose-reader"})
    assert log.meta["code_version"] == "bench-42"
    marks = {(row["thread"], row["mark"]) for row in log.named("pose.read")}
    assert marks == {("pose-reader", ""), ("pose-reader", "published"), (main, "used")}


def test_every_program_is_run_here() -> None:
    """No program in the guide escapes these tests."""
    assert GUIDE.count("\n```") == 2 * len(PROGRAMS)
    assert set(PROGRAMS) == {
        *("RobotLoop.java", "robot_loop.cpp", "board_loop.cpp"),
        *("robot_loop.py", "board_loop.py"),
    }


def test_java(tmp_path: Path) -> None:
    """The Java program."""
    (tmp_path / "RobotLoop.java").write_text(PROGRAMS["RobotLoop.java"], encoding="utf-8")
    files = [RECORDERS / "LooptimeRecorder.java", HERE / "guide" / "Robot.java", "RobotLoop.java"]
    do(tmp_path, need_tool("javac"), "-Xlint:all,-try", "-Werror", "-d", ".", *files)
    do(tmp_path, need_tool("java"), "-cp", ".", "Robot")
    check_with_thread(read(tmp_path / "logs" / "practice-001.csv"))


def test_cpp(tmp_path: Path) -> None:
    """The C++ program for a board with an operating system."""
    (tmp_path / "robot_loop.cpp").write_text(PROGRAMS["robot_loop.cpp"], encoding="utf-8")
    options = [*WARNINGS, f"-I{RECORDERS}", "-pthread"]
    do(tmp_path, need_tool("g++"), *options, "robot_loop.cpp", "-o", "robot_loop")
    do(tmp_path, tmp_path / "robot_loop")
    check_with_thread(read(tmp_path / "logs" / "practice-001.csv"))


def test_cpp_on_a_bare_board(tmp_path: Path) -> None:
    """The C++ program for a board without one; its loops take 3 ms of the pretended counter."""
    (tmp_path / "board_loop.cpp").write_text(PROGRAMS["board_loop.cpp"], encoding="utf-8")
    options = [*WARNINGS, f"-I{RECORDERS}", "-fno-exceptions", "-fno-rtti"]
    do(tmp_path, need_tool("g++"), *options, "board_loop.cpp", "-o", "board_loop")
    log = Log(do(tmp_path, tmp_path / "board_loop"))
    check(log, {"wheels.write"}, {"main"})
    assert [row["start_us"] for row in log.named("loop")] == [str(3000 * n) for n in range(19)]
    assert {row["duration_us"] for row in log.named("wheels.write")} == {"2000"}


def test_python(tmp_path: Path) -> None:
    """The Python program."""
    (tmp_path / "robot_loop.py").write_text(PROGRAMS["robot_loop.py"], encoding="utf-8")
    do(tmp_path, sys.executable, "robot_loop.py")
    check_with_thread(read(tmp_path / "logs" / "practice-001.csv"), "MainThread")


@pytest.mark.parametrize("interpreter", ["micropython", "cpython"])
def test_small_python(interpreter: str, tmp_path: Path) -> None:
    """The program for a small board."""
    (tmp_path / "board_loop.py").write_text(PROGRAMS["board_loop.py"], encoding="utf-8")
    program = unix_port() if interpreter == "micropython" else sys.executable
    do(tmp_path, program, "board_loop.py")
    check(read(tmp_path / "logs" / "practice-001.csv"), {"wheels.write"}, {"main"})
