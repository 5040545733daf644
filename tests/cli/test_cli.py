"""The command line: exit codes, one-line complaints, JSON that keeps its contract."""

import errno
import json
import math
import os
import re
import statistics
import subprocess
import sys
from pathlib import Path

import pytest

import looptime
from looptime import cli, recorders
from looptime.samples import folder

RUN_KEYS = {
    "loops": {"count", "warmup", "duration_s"},
    "pacing": {"mode", "nominal_hz", "achieved_hz"},
    "period_ms": {"mean", "sd", "min", "p50", "p90", "p95", "p99", "p999", "max"},
    "work_ms": {"mean", "sd", "min", "p50", "p90", "p95", "p99", "p999", "max"},
    "headroom_ms": {"p50", "p99"},
    "period_by_time_ms": {"p50", "p90", "p99"},
    "rate_hz": {"by_loops", "by_time"},
    "overruns": {"budget_ms", "count", "share", "time_share"},
    "unattributed": {"self_ms_per_loop", "share", "slow_excess_ms", "variance_share"},
    "recorder": {"cost_share", "dropped"},
}
ROW_KEYS = {
    "calls": {
        "name", "thread", "kind", "subsystem", "device", "bus", "calls_per_loop",
        "self_ms_per_loop", "share", "p50_ms", "p99_ms", "max_ms", "first_ratio",
        "slow_excess_ms", "variance_share",
    },
    "buses": {"bus", "transactions_per_loop", "ms_per_loop", "share"},
    "findings": {"code", "severity", "text", "value", "unit", "evidence"},
}  # fmt: skip


@pytest.fixture
def log(tmp_path):
    """A log of 400 loops of 10 ms with two calls, one of them slow now and then."""
    path = tmp_path / "log.csv"
    rows = [
        f"gyro.read,{k * 10_000},{3000 + (2000 if k % 50 == 49 else k % 7)}\n"
        f"motor.write,{k * 10_000 + 6000},1000\n"
        for k in range(400)
    ]
    path.write_text("name,start_us,duration_us\n" + "".join(rows), encoding="utf-8")
    return path


@pytest.fixture
def free_log(tmp_path):
    """A free-running loop of 10 ms and a little: work is the whole period."""
    path = tmp_path / "free.csv"
    lines, start = ["name,start_us,duration_us"], 0
    for k in range(400):
        read = 3000 + (k * 7919) % 400
        lines += [f"gyro.read,{start},{read}", f"motor.write,{start + read},6800"]
        start += read + 6810
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_summary_json_keeps_its_keys(log, capsys):
    """Every documented key is there, and nothing is NaN."""
    assert cli.run(["summary", str(log), "--json"]) == 0
    data = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    assert data["schema_version"] == 1
    (entry,) = data["logs"]
    assert set(entry["rows"]) >= {"read", "used", "set_aside", "reasons"}
    assert entry["rows"]["read"] == entry["rows"]["used"] + entry["rows"]["set_aside"] == 800
    assert set(entry["clock"]) >= {"unit", "unit_from", "tick_ns", "wraps", "jumps", "restarts"}
    assert entry["clock"]["limits"] == []
    (run,) = entry["runs"]
    for key, parts in RUN_KEYS.items():
        assert set(run[key] or parts) >= parts, key
    for key, parts in ROW_KEYS.items():
        assert all(set(row) >= parts for row in run[key]), key
    assert {"kinds", "subsystems", "recurrence", "drift", "change_points", "freshness"} <= set(run)
    shares = [c["share"] for c in run["calls"] if c["share"] is not None]
    assert sum(shares) + run["unattributed"]["share"] == pytest.approx(1, abs=1e-9)


def test_one_bad_log_does_not_spoil_the_good(log, tmp_path, capsys):
    """Good logs are done; the bad one is an entry with its error, and the exit is 2."""
    missing = tmp_path / "none.csv"
    assert cli.run(["summary", str(log), str(missing), "--json"]) == 2
    out, err = capsys.readouterr()
    entries = json.loads(out)["logs"]
    assert "runs" in entries[0]
    assert entries[1] == {"path": str(missing), "error": f"{missing}: there is no such file"}
    assert err == f"looptime: {missing}: there is no such file\n"


def test_a_loop_call_that_one_of_two_logs_lacks_is_the_error_of_that_log(log, tmp_path, capsys):
    """Calls in rows of their own hold 'gyro.read'; where each row is a loop there is 'gyro'."""
    other = tmp_path / "rows.csv"
    other.write_text("time_ms,gyro_ms\n" + "".join(f"{20 * k},{3 + k % 3}\n" for k in range(60)))
    assert cli.run(["summary", str(log), str(other), "--loop-call", "gyro.read", "--json"]) == 2
    out, err = capsys.readouterr()
    entries = json.loads(out)["logs"]
    assert entries[0]["runs"][0]["loops"]["count"] > 300
    said = f"{other}: no call is named 'gyro.read'; the nearest is 'gyro'; each row is a loop"
    assert entries[1]["error"].startswith(said)
    assert err == f"looptime: {entries[1]['error']}\n"


@pytest.mark.parametrize(
    "args",
    [
        ["nothing"],
        ["summary"],
        ["summary", "--unit", "h", "x.csv"],
        ["summary", "--budget-ms", "-1", "x.csv"],
        ["recorder"],
        ["recorder", "cobol"],
    ],
)
def test_wrong_use_is_one_line_and_exit_2(args, capsys):
    """Wrong use says what and where to look, in one line on stderr."""
    assert cli.run(args) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("looptime: ")
    assert err.count("\n") == 1


@pytest.fixture
def counted(tmp_path):
    """Loops of 20 ms, as a clock that ticks in 100 ns tells them, without a word of its unit."""
    rows = [f"{638_000_000 + 200_000 * k + 3000 * (k % 7)},{k % 5}" for k in range(60)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time,heading", *rows]) + "\n", encoding="utf-8")
    return str(path)


def test_a_multiple_of_a_unit_is_refused_with_a_step_that_works(counted, capsys, tmp_path):
    """`--unit 100ns` is no unit; the line names the option in which a column says it."""
    assert cli.run(["summary", counted, "--unit", "100ns"]) == 2
    said = capsys.readouterr().err
    step = re.search(r"--columns '(\S+ \(100ns\)),", said)[1]
    for names in (f"{step},heading", f"{step},skip", "ticks [100 ns],heading"):
        assert cli.run(["summary", counted, "--json", "--columns", names]) == 0
        run = json.loads(capsys.readouterr().out)["logs"][0]["runs"][0]
        assert run["period_ms"]["p50"]["value"] == pytest.approx(20.3)
    project = tmp_path / "x.toml"
    project.write_text('[log]\nunit = "100ns"\n', encoding="utf-8")
    assert cli.run(["summary", counted, "--project", str(project)]) == 2
    assert 'columns = "time (100 ns),name,..."' in capsys.readouterr().err
    project.write_text('[log]\ncolumns = "time (100 ns),heading"\n', encoding="utf-8")
    assert cli.run(["summary", counted, "--quiet", "--project", str(project)]) == 0
    assert " 20.3 ms as a rule" in capsys.readouterr().out


def test_the_first_sentence_says_that_the_unit_is_inferred(counted, capsys):
    """The caveat stands in the answer itself, in text and in JSON, until --unit says it."""
    assert cli.run(["summary", counted, "--quiet"]) == 0
    first = " ".join(capsys.readouterr().out.split()).split(". ")[0]
    caveat = "if the times are in us, as their size suggests: --unit says it"
    assert "203 ms as a rule" in first
    assert f"({caveat})" in first
    assert cli.run(["summary", counted, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["logs"][0]["clock"]["limits"] == [caveat]
    assert cli.run(["summary", counted, "--quiet", "--unit", "us"]) == 0
    assert "as their size suggests" not in capsys.readouterr().out


@pytest.mark.parametrize("args", [[], ["season"]])
def test_a_bare_group_shows_its_help(args, capsys):
    """`looptime` and `looptime season` alone list their commands, each with its whole line."""
    assert cli.run(args) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "Commands:" in out
    assert "..." not in out.split("Commands:")[1]


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--from", "5", "--to", "2"], "--from 5 --to 2: the part ends before it begins"),
        (["--from", "nan"], "--from nan: give a number of seconds"),
        (["--to", "inf"], "--to inf: give a number of seconds"),
        (["--to", "-1"], "--to -1: give a number of seconds above 0"),
        (["--budget-ms", "inf"], "--budget-ms inf: give a number of ms above 0"),
    ],
)
def test_a_part_that_cannot_be_is_said_so(log, capsys, args, said):
    """Numbers that no loop could meet are wrong use, not an empty log."""
    assert cli.run(["summary", str(log), *args]) == 2
    assert capsys.readouterr().err == f"looptime: {said}\n"


@pytest.fixture
def phased_log(tmp_path):
    """500 loops of 10 ms in standby, then 500 of 20 ms in operator with one of 60 ms."""
    path = tmp_path / "phased.csv"
    lines, start = ["loop,name,start_us,duration_us,phase"], 0
    for k in range(1001):
        period = 10_000 if k < 500 else 60_000 if k == 750 else 20_000
        word = "standby" if k < 500 else "operator"
        lines.append(f"{k},update,{start},{period - 1000 - 7 * (k % 5)},{word}")
        start += period
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_the_command_for_a_plan_keeps_the_phase(tmp_path, capsys):
    """What is offered for one phase is not tried on all of them together."""
    log, start = tmp_path / "phases.csv", 0
    rows = ["name,start_us,duration_us,phase"]
    for k in range(1001):
        took = (500 if k < 500 else 5000) + 97 * (k * 37 % 11)
        rows += [
            f"range.read,{start},{took},{'standby' if k < 500 else 'operator'}",
            f"wheels.write,{start + took},1000,{'standby' if k < 500 else 'operator'}",
        ]
        start += took + 1100
    log.write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert cli.run(["plan", str(log), "--phase", "operator"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert re.search(r'--change "[^"]+" --phase operator', shown), shown


def test_times_of_slow_loops_count_from_the_start_of_the_log(phased_log, capsys):
    """With and without a phase the slow loop is at 5 s + 250 x 20 ms; what is shown is said."""
    for args in ([], ["--phase", "operator"], ["--from", "4"]):
        assert cli.run(["slow", str(phased_log), "--json", *args]) == 0
        out, err = capsys.readouterr()
        assert json.loads(out)["slow"]["events"][0]["time_s"] == pytest.approx(10.0)
        assert ("operator is shown" in err) == (args != ["--phase", "operator"])
    assert cli.run(["slow", str(phased_log), "--loop", "100"]) == 0
    assert "phase standby" in capsys.readouterr().out


def test_taking_phases_together_is_said(phased_log, capsys):
    """A plan or a heading study over all phases says so on stderr, and not where one is named."""
    together = "standby 500, operator 500: all are taken together"
    assert cli.run(["plan", str(phased_log), "--change", "scale update by=0.5"]) == 0
    told = capsys.readouterr()
    assert together in told.err
    assert "phases  standby 500, operator 500 loops, all together" in told.out
    phase = ["--phase", "operator"]
    assert cli.run(["plan", str(phased_log), "--change", "scale update by=0.5", *phase]) == 0
    told = capsys.readouterr()
    assert together not in told.err
    assert "all together" not in told.out


def test_the_pit_says_how_it_takes_phases(phased_log, capsys):
    """Each by itself, but for what is judged of the whole log; of one that is named, nothing."""
    assert cli.run(["pit", str(phased_log)]) in (0, 1, 3)
    said = " ".join(capsys.readouterr().out.split())
    assert "phases standby 500, operator 500 loops, each judged by itself, all together" in said
    assert cli.run(["pit", str(phased_log), "--phase", "operator"]) in (0, 1, 3)
    assert "each judged by itself" not in capsys.readouterr().out


def test_a_report_is_not_written_under_a_name_that_misleads(log, tmp_path, capsys):
    """HTML in a file called .pdf would be taken for a PDF."""
    target = tmp_path / "r.pdf"
    assert cli.run(["report", str(log), "--out", str(target)]) == 2
    assert "name it .html" in capsys.readouterr().err
    assert not target.exists()


def test_a_drafted_project_file_is_told_of(log, tmp_path, capsys):
    """What was written is said on stderr, so that JSON on stdout stays whole."""
    target = tmp_path / "looptime.toml"
    assert cli.run(["summary", str(log), "--json", "--draft-project", str(target)]) == 0
    out, err = capsys.readouterr()
    json.loads(out)
    assert f"{target}: written" in err


def test_a_guide_that_is_none_names_all_that_there_are(capsys):
    """As the list does: the recorders' guide among them."""
    assert cli.run(["guide"]) == 0
    there = [line.split()[0] for line in capsys.readouterr().out.splitlines()]
    assert cli.run(["guide", "safty"]) == 2
    err = capsys.readouterr().err
    assert "the nearest is 'safety'" in err
    assert err.rstrip().endswith(f"there are {', '.join(there)}")
    assert "recorders" in there


def test_the_guide_of_the_recorders(capsys):
    """It is printed whole, so that it is at hand without the repository."""
    assert cli.run(["recorder", "--guide"]) == 0
    out = capsys.readouterr().out
    assert all(f"## {title}" in out for title in ("The marks", "Java", "Python"))


def test_an_export_may_be_read_by_whom_the_system_lets(log, tmp_path):
    """A file made through a scratch file has the rights of any new file."""
    beside = tmp_path / "beside.txt"
    beside.touch()
    assert cli.run(["export", str(log), "--out", str(tmp_path / "x.csv")]) == 0
    assert (tmp_path / "x.csv").stat().st_mode == beside.stat().st_mode


def test_unforeseen_errors_leave_a_trace_file(log, capsys, monkeypatch):
    """A bug is one line and the path of a trace, exit 4."""

    def broken(*_, **__):
        raise RuntimeError("a bug")

    monkeypatch.setattr("looptime.parsers.read.read_log", broken)
    assert cli.run(["summary", str(log)]) == 4
    err = capsys.readouterr().err
    path = err.strip().rsplit(" ", 1)[1]
    with open(path, encoding="utf-8") as file:
        assert "RuntimeError: a bug" in file.read()


def test_interrupt_is_130(log, monkeypatch, capsys):
    """Control-C says so in a line."""

    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("looptime.parsers.read.read_log", interrupted)
    assert cli.run(["summary", str(log)]) == 130
    assert capsys.readouterr().err.strip() == "looptime: interrupted"


def test_a_board_without_a_recorder_of_its_name_is_shown_the_one_it_takes(capsys):
    """The section that is named stands in the guide, and the guide that is named is there."""
    assert cli.run(["recorder", "board"]) == 2
    said = capsys.readouterr().err
    (section,) = re.findall("by '(.*?)' in looptime recorder --guide", said)
    assert f"\n## {section}\n" in recorders.guide()
    assert cli.run(["guide", "layouts"]) == 0


def test_recorder_goes_to_a_folder_once(tmp_path, capsys):
    """A recorder is written where asked, and never over a file that is there."""
    assert cli.run(["recorder", "java", "--out", str(tmp_path)]) == 0
    assert (tmp_path / "LooptimeRecorder.java").is_file()
    assert cli.run(["recorder", "java", "--out", str(tmp_path)]) == 2
    assert "is there already" in capsys.readouterr().err
    file = tmp_path / "LooptimeRecorder.java"
    assert cli.run(["recorder", "java", "--out", str(file)]) == 2
    assert capsys.readouterr().err.endswith("is a file: name a folder\n")


@pytest.mark.skipif(sys.platform == "win32", reason="no such names there")
def test_the_path_of_a_recorder_keeps_out_of_the_terminal_s_way(tmp_path, capsys):
    """A folder whose name would clear the screen is printed without what does so."""
    assert cli.run(["recorder", "java", "--out", str(tmp_path / "a\x1b[2Jb\rc")]) == 0
    out = capsys.readouterr().out
    assert out.count("\n") == 1
    assert not set("\x1b\r") & set(out)
    assert out.endswith("LooptimeRecorder.java\n")


@pytest.mark.parametrize(
    "words",
    [
        ["summary", "LONG"],
        ["summary", "log.csv", "--project", "LONG"],
        ["summary", "log.csv", "--set-aside", "LONG"],
        ["export", "log.csv", "--out", "LONG"],
        ["season", "add", "LONG"],
        ["watch", "LONG"],
        ["recorder", "java", "--out", "LONG"],
    ],
)
def test_a_name_that_is_too_long_for_a_file_is_one_line(words, log, capsys, monkeypatch):
    """5,000 letters are more than any system takes: one short line, exit 2, no trace."""
    monkeypatch.chdir(log.parent)
    words = [str(log) if word == "log.csv" else word.replace("LONG", "x" * 5000) for word in words]
    assert cli.run(words) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes with names")
def test_a_pipe_in_place_of_a_project_file_is_refused(log, tmp_path, capsys):
    """Nobody writes into it: it would be waited for without end."""
    os.mkfifo(tmp_path / "pipe.toml")
    assert cli.run(["summary", str(log), "--project", str(tmp_path / "pipe.toml")]) == 2
    assert "it is a pipe, a socket or a device" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["summary"], ["columns"], ["season", "add"], ["watch"]])
def test_a_folder_that_may_not_be_read_is_one_line(words, log, capsys, monkeypatch):
    """A log in it is named with the reason: exit 2 and no trace."""
    shut = log.parent / "shut"
    real_stat, real_scan = os.stat, os.scandir

    def refused(real):
        def call(path=".", *more, **named):
            if Path(os.fspath(path) if not isinstance(path, int) else "").parts[-2:-1] == ("shut",):
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
            return real(path, *more, **named)

        return call

    shut.mkdir()
    monkeypatch.chdir(log.parent)
    monkeypatch.setattr(os, "stat", refused(real_stat))
    monkeypatch.setattr(os, "scandir", refused(real_scan))
    assert cli.run([*words, str(shut / "a.csv")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_an_error_that_only_the_keeper_of_files_can_mend_is_no_fault(log, monkeypatch, capsys):
    """Wherever the system refuses a file, its name and the reason are one line with exit 2."""

    def refuses(*_args, **_options):
        raise PermissionError(errno.EACCES, "Permission denied", "season/there")

    monkeypatch.setattr("looptime.parsers.read.read_log", refuses)
    assert cli.run(["summary", str(log)]) == 2
    assert capsys.readouterr().err == "looptime: season/there: Permission denied\n"


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is empty"),
        (b"name,start_us,duration_us\n", "holds a header and no rows"),
        (b"name,start_us,duration_us\ngyro.read,0,10\n", "holds a single loop"),
        (bytes(range(256)) * 16, "is not a text log"),
        (None, "there is no such file"),
        ("folder", "holds no logs"),
    ],
)
def test_a_log_that_cannot_be_used_is_one_line_and_leaves_nothing(data, said, tmp_path, capsys):
    """Each kind of bad input is told in one line with its path, and no file appears."""
    path = tmp_path / "log.csv"
    if data == "folder":
        path.mkdir()
    elif data is not None:
        path.write_bytes(data)
    before = sorted(tmp_path.rglob("*"))
    assert cli.run(["summary", str(path)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert str(path) in err
    assert said in err
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("text", ["[lop]\n", "[loop\n", "[loop]\nbudget_ms = 0\n"])
def test_a_project_file_that_cannot_be_used_is_one_line(text, log, tmp_path, capsys):
    """The log is not even looked at; the line names the project file."""
    project = tmp_path / "looptime.toml"
    project.write_text(text, encoding="utf-8")
    assert cli.run(["summary", str(log), "--project", str(project)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"looptime: {project}: ")
    assert err.count("\n") == 1


def test_old_console_encoding():
    """A console that knows only cp1252 shows the summary of a sample log."""
    done = subprocess.run(
        [sys.executable, "-m", "looptime", "summary", str(folder() / "single_reads.csv.gz")],
        env={**os.environ, "PYTHONIOENCODING": "cp1252"},
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "gyro.read" in done.stdout.decode("cp1252")


@pytest.mark.parametrize("words", [["summary"], ["summary", "--json"], ["recorder", "--list"]])
def test_a_reader_that_has_gone_is_no_failure(words, log):
    """Output piped into a program that stops reading ends quietly: exit 1 is a failed check."""
    read, write = os.pipe()
    os.close(read)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "looptime", *words, *([str(log)] if "summary" in words else [])],
            stdout=write,
            stderr=subprocess.PIPE,
            check=False,
        )
    finally:
        os.close(write)
    assert (done.returncode, done.stderr) == (0, b"")


def test_heading_json_keeps_its_keys(log, capsys):
    """The heading study's keys, figures with uncertainty as value, low, high."""
    assert (
        cli.run(["heading", str(log), "--motion", "steady:90", "--tolerance-deg", "2", "--json"])
        == 0
    )
    data = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    assert {
        "motion", "sampling", "stale_heading_deg", "integrated_heading_deg", "path",
        "phase_lost_deg", "curve", "required_rate_hz", "parts",
    } <= set(data)  # fmt: skip
    assert set(data["sampling"]) >= {"pattern", "rate_hz", "reading_age_ms"}
    assert set(data["stale_heading_deg"]) == {"mean", "rms", "p95", "max"}
    # every loop is 10 ms, read at its start and used at 7 ms: mean age 7 + 10 / 2
    assert data["stale_heading_deg"]["mean"]["value"] == pytest.approx(90 * 0.012, rel=1e-6)


def test_compare_gate_and_season(free_log, tmp_path, capsys):
    """A log is no different from itself; limits alone decide a gate without a baseline."""
    log, project = free_log, tmp_path / "looptime.toml"
    project.write_text("[limits]\nperiod_p99_ms = 5\n", encoding="utf-8")
    assert cli.run(["compare", str(log), "--against", str(log), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["verdict"] == "no change seen"
    assert cli.run(["gate", str(log), "--project", str(project)]) == 1
    assert "FAIL" in capsys.readouterr().out
    project.write_text("[limits]\nperiod_p99_ms = 50\n", encoding="utf-8")
    assert cli.run(["gate", str(log), "--project", str(project)]) == 0
    assert "regression not checked" in capsys.readouterr().out
    project.write_text("", encoding="utf-8")
    assert cli.run(["gate", str(log), "--project", str(project)]) == 3
    season = ["--season", str(tmp_path / "season")]
    assert cli.run(["season", "add", str(log), *season]) == 0
    assert cli.run(["season", "add", str(log), *season]) == 0
    assert "0 runs added, 1 was there already" in capsys.readouterr().out
    assert cli.run(["season", "list", "--json", *season]) == 0
    assert len(json.loads(capsys.readouterr().out)["entries"]) == 1


@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_export_reads_back(log, tmp_path, capsys, ending):
    """What is exported summarises to the same figures."""
    out = tmp_path / f"run.{ending}"
    assert cli.run(["export", str(log), "--out", str(out)]) == 0
    capsys.readouterr()
    runs = []
    for path in (log, out):
        assert cli.run(["summary", str(path), "--json"]) == 0
        runs.append(json.loads(capsys.readouterr().out)["logs"][0]["runs"])
    for (run,) in runs:
        run["findings"] = [finding["code"] for finding in run["findings"]]
    assert runs[0] == runs[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--actual", "{log}"], "--actual needs a plan"),
        (["--change", "drop gyro.read", "--target-hz", "90"], "leave out the changes"),
        (["--change", "drop gyro.read", "--run-sd", "-1"], "--run-sd takes"),
        (["--run-sd", "nan"], "--run-sd takes"),
        (["--recurs", "gyro.raed=loop"], "the nearest is 'gyro.read'"),
    ],
)
def test_a_plan_passes_nothing_over_in_silence(log, capsys, words, said):
    """Options that could not have an effect are refused in one line."""
    assert cli.run(["plan", str(log), *(word.format(log=log) for word in words)]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert said in err


def test_a_speed_of_nothing_is_refused(log, capsys):
    """Zero is a number that was given, not an option left out."""
    assert cli.run(["heading", str(log), "--speed-m-s", "0"]) == 2
    assert "speed_m_s" in capsys.readouterr().err


def test_a_plan_takes_its_scatter_from_the_season(log, tmp_path, capsys, monkeypatch):
    """Five baseline runs beside the project file say how far runs differ; fewer do not."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "looptime.toml").write_text("", encoding="utf-8")
    means = []
    for k in range(5):
        period = 10_000 + 100 * k
        rows = [f"gyro.read,{j * period},{3000 + j % 7}\n" for j in range(400)]
        path = tmp_path / f"old{k}.csv"
        path.write_text("name,start_us,duration_us\n" + "".join(rows), encoding="utf-8")
        assert cli.run(["season", "add", str(path), "--label", "old"]) == 0
        assert cli.run(["season", "baseline", "label=old"]) == 0
        means.append(period)
        capsys.readouterr()
        assert cli.run(["plan", str(log), "--change", "drop gyro.read", "--json"]) == 0
        data = json.loads(capsys.readouterr().out)
        assert data["run_sd_from"] == ("season" if k == 4 else "assumed")
    logs = [math.log(mean) for mean in means]
    assert data["run_sd_percent"] == pytest.approx(100 * statistics.stdev(logs), rel=1e-6)


def test_a_stored_run_comes_out_as_json(free_log, tmp_path, capsys):
    """Figures and histograms, which count every loop; a time that is none is refused."""
    season = ["--season", str(tmp_path / "season")]
    assert cli.run(["season", "add", str(free_log), "--time", "yesterday", *season]) == 2
    assert "--time 'yesterday'" in capsys.readouterr().err
    assert cli.run(["season", "add", str(free_log), "--time", "2026-03-01", *season]) == 0
    capsys.readouterr()
    assert cli.run(["season", "show", "last=1", "--json", *season]) == 0
    (entry,) = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)["entries"]
    period = [h for h in entry["values"]["histograms"] if h["quantity"] == "period"]
    assert sum(period[0]["counts"]) == entry["facts"]["loops"]
    assert entry["facts"]["time"].startswith("2026-03-01")


def test_a_paced_log_without_its_wait_is_no_different_from_itself(log, capsys):
    """Its headroom is not known, but it is the same on both sides."""
    assert cli.run(["compare", str(log), "--against", str(log), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["verdict"] == "no change seen"
    assert {c["difference"]["value"] for c in data["changes"]} == {0.0}


def test_a_few_loops_cannot_tell_which_are_slow(tmp_path, capsys):
    """Eight even loops are no evidence that none stands out."""
    path = tmp_path / "short.csv"
    rows = [f"gyro.read,{k * 10_000},{3000 + k % 3}\n" for k in range(9)]
    path.write_text("name,start_us,duration_us\n" + "".join(rows), encoding="utf-8")
    assert cli.run(["slow", str(path)]) == 0
    assert "Can't tell: 8 loops" in capsys.readouterr().out


def test_a_log_that_cannot_be_read_outweighs_a_failed_check(log, tmp_path, capsys):
    """The gate leaves with 2, not with 1, where one of its logs is no log."""
    project = tmp_path / "strict.toml"
    project.write_text("[limits]\nperiod_mean_ms = 0.001\n", encoding="utf-8")
    words = ["gate", str(log), "--project", str(project)]
    assert cli.run(words) == 1
    assert cli.run([*words, str(tmp_path / "gone.csv")]) == 2
    capsys.readouterr()
    assert cli.run([*words, str(tmp_path / "gone.csv"), "--json"]) == 2
    out, err = capsys.readouterr()
    assert err.count("\n") == 1
    found = json.loads(out)  # the other one is judged all the same
    assert found["verdict"] == "fail"
    assert [one["path"] for one in found["logs"]] == [str(tmp_path / "gone.csv")]
    assert cli.run(["gate", str(tmp_path / "gone.csv"), "--project", str(project)]) == 2


def test_a_budget_of_nothing_is_refused(log, capsys):
    """No period is shorter than 0."""
    assert cli.run(["summary", str(log), "--budget-ms", "0"]) == 2
    assert "--budget-ms 0" in capsys.readouterr().err


def test_an_option_outranks_the_project_file(log, tmp_path, capsys):
    """All loops are over 1 ms, and none over the 100 ms of the project file."""
    project = tmp_path / "looptime.toml"
    project.write_text("[loop]\nbudget_ms = 100.0\n", encoding="utf-8")
    args = ["summary", str(log), "--json", "--project", str(project)]
    for more, budget_ms, share in (([], 100.0, 0.0), (["--budget-ms", "1"], 1.0, 1.0)):
        assert cli.run([*args, *more]) == 0
        over = json.loads(capsys.readouterr().out)["logs"][0]["runs"][0]["overruns"]
        assert (over["budget_ms"], over["share"]) == (budget_ms, share)


@pytest.mark.parametrize(("more", "cache"), [([], True), (["--no-cache"], False)])
def test_a_prepared_copy_is_kept_unless_it_is_not_wanted(log, monkeypatch, more, cache):
    """`--no-cache` reaches the reader."""
    asked = []
    read = looptime.read_log

    def watched(path, **options):
        asked.append(options["cache"])
        return read(path, **options)

    monkeypatch.setattr("looptime.parsers.read.read_log", watched)
    assert cli.run(["summary", str(log), *more]) == 0
    assert asked == [cache]


def test_of_several_runs_the_longest_is_taken(tmp_path, capsys):
    """The clock begins anew after 60 loops, and 200 loops follow."""
    path = tmp_path / "log.csv"
    rows = [f"{k * 11_000},{k % 7}" for k in range(60)]
    rows += [f"{k * 10_000},{k % 5}" for k in range(200)]
    path.write_text("time_us,x\n" + "\n".join(rows) + "\n", encoding="utf-8")
    assert cli.run(["heading", str(path), "--json", "--motion", "steady:90"]) == 0
    out, err = capsys.readouterr()
    assert "holds 2 runs; the longest is taken" in err
    assert json.loads(out)["sampling"]["rate_hz"]["value"] == pytest.approx(100)


def test_as_many_slow_loops_as_are_asked_for(log, capsys):
    """Eight loops take 14 ms instead of 10; two of them are wanted."""
    lengths = [14_000 if k % 50 == 49 else 10_000 for k in range(400)]
    starts = [sum(lengths[:k]) for k in range(401)]
    log.write_text("time_us,x\n" + "".join(f"{t},1\n" for t in starts), encoding="utf-8")
    for top, shown in (("2", 2), ("20", 8)):
        assert cli.run(["slow", str(log), "--json", "--top", top]) == 0
        assert len(json.loads(capsys.readouterr().out)["slow"]["events"]) == shown


def test_a_part_without_length_is_refused_as_such(log, capsys):
    """From a second to the same second there is nothing to look at."""
    assert cli.run(["summary", str(log), "--from", "1", "--to", "1"]) == 2
    assert "the part ends before it begins" in capsys.readouterr().err


def test_the_scatter_between_runs_is_given_in_percent(log, capsys):
    """2 % are 2 %, and not 200 % or 0.02 %."""
    words = ["plan", str(log), "--change", "scale gyro.read by=0.5", "--run-sd", "2", "--json"]
    assert cli.run(words) == 0
    assert json.loads(capsys.readouterr().out)["run_sd_percent"] == pytest.approx(2)


def test_rows_set_aside_are_those_of_all_runs(tmp_path, capsys):
    """Two recordings in one file, the second with a row that is none: both are counted."""
    one, other = ("".join(f"{k * 10 + k % n}\n" for k in range(300)) for n in (2, 3))
    path = tmp_path / "twice.csv"
    path.write_text("time_ms\n" + one + other + "x\n", encoding="utf-8")
    assert cli.run(["summary", str(path), "--json"]) == 0
    (entry,) = json.loads(capsys.readouterr().out)["logs"]
    assert len(entry["runs"]) == 2
    rows = entry["rows"]
    assert rows["read"] == 601
    assert rows["set_aside"] == sum(rows["reasons"].values()) == rows["read"] - rows["used"]
    assert rows["set_aside"] == 3  # the row that is none, and the last of each run


def test_a_tolerance_that_is_asked_for_replaces_those_of_the_project(log, tmp_path, capsys):
    """Millimetres asked for are all that is held against, though the project states degrees."""
    project = tmp_path / "stated.toml"
    project.write_text("[heading]\ntolerance_deg = 5\n", encoding="utf-8")
    words = ["heading", str(log), "--project", str(project), "--motion", "steady:90", "--json"]
    assert cli.run(words) == 0
    assert list(json.loads(capsys.readouterr().out)["required_rate_hz"]) == ["tolerance_deg"]
    assert cli.run([*words, "--tolerance-mm", "10"]) == 0
    assert list(json.loads(capsys.readouterr().out)["required_rate_hz"]) == ["tolerance_mm"]


def test_the_part_that_is_asked_for_is_exported(log, tmp_path, capsys):
    """The first second of the log, and nothing after it."""
    out = tmp_path / "part.csv"
    assert cli.run(["export", str(log), "--to", "1", "--out", str(out)]) == 0
    whole, part = looptime.read(log), looptime.read(out)
    start = whole.loop_columns.start_ns
    first = start < start[0] + 10**9
    assert part.loop_columns.period_ns.tolist() == whole.loop_columns.period_ns[first].tolist()
    assert 0 < len(part) < len(whole)


def test_a_season_lies_beside_the_project_file(log, tmp_path, monkeypatch, capsys):
    """Whatever folder the command is given in."""
    (tmp_path / "robot").mkdir()
    (tmp_path / "elsewhere").mkdir()
    project = tmp_path / "robot" / "looptime.toml"
    project.write_text("", encoding="utf-8")
    monkeypatch.chdir(tmp_path / "elsewhere")
    assert cli.run(["season", "add", str(log), "--project", str(project)]) == 0
    assert (tmp_path / "robot" / "season" / "season.json").is_file()
    assert not list((tmp_path / "elsewhere").iterdir())


def test_an_export_never_takes_the_place_of_its_log(log, capsys):
    """The log is refused as a target, and stays as it is."""
    before = log.read_bytes()
    assert cli.run(["export", str(log), "--out", str(log)]) == 2
    assert "is the log itself" in capsys.readouterr().err
    assert log.read_bytes() == before


def test_what_a_plan_said_is_told_as_said_where_it_is_held_against_what_came(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing was changed, so the half of a read that a plan leaves out is still there."""
    log = tmp_path / "run.csv"
    rows = "".join(f"{10_000 * k},{4000 + 37 * (k * k % 11)},{1000 + k % 7}\n" for k in range(600))
    log.write_text(f"time_us,gyro_us,drive_us\n{rows}", encoding="utf-8")
    asked = ["plan", str(log), "--change", "scale gyro by=0.5", "--actual", str(log), "--quiet"]
    assert cli.run(asked) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith("The plan")
    assert ' The plan had said: "' in said
