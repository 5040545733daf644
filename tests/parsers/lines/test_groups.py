"""Rows of several senders in one log, each read by itself."""

import json

import numpy as np
import pytest

import looptime
from looptime.errors import LogError, UsageError
from tests.parsers.build import balance, periods_ms
from tests.parsers.build import read as read_one

# a sends every 20 ms, b every 50 ms from 3 ms on, for a second
SENT = sorted([(k * 20, "a", 4) for k in range(51)] + [(3 + k * 50, "b", 7) for k in range(21)])
TEXT = "t_ms,robot,read_ms\n" + "".join(f"{t},{who},{ms}\n" for t, who, ms in SENT)


def read(tmp_path, text, **options):
    """Every run of a log, with balanced books."""
    path = tmp_path / "log.csv"
    path.write_text(text)
    log = looptime.read_log(path, cache=False, **options)
    for run in log.runs:
        balance(run)
    return log


def test_each_group_is_a_run_of_its_own(tmp_path):
    """Fifty periods of 20 ms and twenty of 50 ms, and every row in one of the two."""
    log = read(tmp_path, TEXT, by="robot")
    assert [run.meta["group"] for run in log.runs] == ["a", "b"]
    assert [set(periods_ms(run)) for run in log.runs] == [{20.0}, {50.0}]
    assert [len(run) for run in log.runs] == [50, 20]
    assert log.rows_read == len(SENT)
    assert log.rows_by_reason == {"unfinished last loop": 2}


def test_without_it_no_rate_is_given(tmp_path):
    """Steps of 3, 17 and 20 ms are no loop of anybody's: the column is offered."""
    with pytest.raises(LogError, match=r"rows of 2 senders.*--by robot"):
        read(tmp_path, TEXT)


@pytest.mark.parametrize(
    "text",
    [
        # one stamp for the rows of all senders
        "t_s,unit\n" + "".join(f"{k / 50},{who}\n" for k in range(20) for who in (1, 2, 3)),
        # each sender's clock has a zero of its own
        "millis,node\n" + "".join(f"{5000 + 10 * k},7\n{90 + 10 * k},9\n" for k in range(20)),
        # no header, dates
        "".join(f"2026-03-14 10:00:{k:02}.{ms},{tag},1.5\n" for k in range(20)
                for tag, ms in ((130, 100), (131, 140))),
    ],
)  # fmt: skip
def test_kinds_of_mixed_rows(tmp_path, text):
    """Equal stamps, clocks apart and no header are told alike; what is offered reads the log."""
    with pytest.raises(LogError, match="senders in turn") as caught:
        read(tmp_path, text)
    log = read(tmp_path, text, by=str(caught.value).rpartition("--by ")[2])
    assert len(log.runs) == len({run.meta["group"] for run in log.runs}) >= 2
    assert all(len(set(periods_ms(run))) == 1 for run in log.runs)


@pytest.mark.parametrize(
    "text",
    [
        # a flag that is up in every second loop, which takes longer
        "t_ms,fresh\n" + "".join(f"{15 * k},1\n{15 * k + 10},0\n" for k in range(20)),
        # a mode that changes once
        "t_ms,mode\n" + "".join(f"{20 * k},{'a' if k < 20 else 'b'}\n" for k in range(40)),
        # even steps with a counter of eight
        "t_ms,slot\n" + "".join(f"{20 * k},{k % 8}\n" for k in range(40)),
    ],
)
def test_columns_that_tell_no_senders_apart(tmp_path, text):
    """Flags, modes and counters are one sender's."""
    assert len(read(tmp_path, text).runs) == 1


def tasks(head, names, seed=1):
    """Two tasks, every 10 ms and every 93 ms, each at its own pace with a little scatter."""
    rng = np.random.default_rng(seed)
    rows = [(10.0 * k + rng.uniform(0, 0.2), names[0], 3.5) for k in range(400)]
    rows += [(93.0 * k + 4 + rng.uniform(0, 0.2), names[1], 30.0) for k in range(43)]
    return head + "".join(f"{t:.3f},{who},{ms}\n" for t, who, ms in sorted(rows))


@pytest.mark.parametrize(("head", "names"), [
    ("wake_ms,task,ran_ms\n", ("drive", "look")), ("t_ms,core,run_ms\n", ("0", "1")),
])  # fmt: skip
def test_a_rare_task_beside_the_loop(tmp_path, head, names):
    """Rows of a slow task stand in the pace of a fast one, which goes on as if they were not."""
    text = tasks(head, names)
    with pytest.raises(LogError, match="senders in turn") as caught:
        read(tmp_path, text)
    log = read(tmp_path, text, by=str(caught.value).rpartition("--by ")[2])
    found = {run.meta["group"]: np.mean(periods_ms(run)) for run in log.runs}
    assert found == {names[0]: pytest.approx(10, abs=0.01), names[1]: pytest.approx(93, abs=0.01)}


@pytest.mark.parametrize("often", [0.1, 0.3])
def test_a_flag_of_long_loops_tells_no_tasks_apart(tmp_path, often):
    """Where a marked row is a loop itself, what stands on both sides of it is two loops apart."""
    rng = np.random.default_rng(2)
    marked = rng.uniform(size=400) < often
    starts = np.cumsum(np.where(marked, 40.0, 10.0) + rng.uniform(0, 0.2, 400))
    text = "t_ms,sent\n" + "".join(
        f"{t:.3f},{int(m)}\n" for t, m in zip(starts, marked, strict=True)
    )
    assert len(read(tmp_path, text).runs) == 1


def test_lines_of_values_by_group(tmp_path):
    """Pairs with a name of the sender are split too; a line of text goes with the first."""
    text = "booting\n" + "".join(f"t_ms={t} id={who} read_ms={ms}\n" for t, who, ms in
                                 [(t, ord(who), ms) for t, who, ms in SENT])  # fmt: skip
    log = read(tmp_path, text, by="ID")
    assert [set(periods_ms(run)) for run in log.runs] == [{20.0}, {50.0}]
    assert log.rows_read == len(SENT) + 1
    assert log.rows_by_reason == {"unfinished last loop": 2, "not a row": 1}


def test_calls_of_two_robots(tmp_path):
    """Timed calls are split by their column as well."""
    rows = "".join(
        f"{who},{name},{t + at},{long}\n"
        for k in range(5) for who, t in (("a", 20 * k), ("b", 30 * k))
        for name, at, long in (("loop", 0, 15), ("imu", 1, 4))
    )  # fmt: skip
    log = read(tmp_path, "robot,name,start_ms,duration_ms\n" + rows, by="robot")
    assert [set(periods_ms(run)[:3]) for run in log.runs] == [{20.0}, {30.0}]


def test_a_column_that_is_not_there(tmp_path):
    """The error lists those that are."""
    with pytest.raises(UsageError, match="no column 'agent' for --by: it has t_ms, robot"):
        read(tmp_path, TEXT, by="agent")
    with pytest.raises(LogError, match="has 72 values"):
        read(tmp_path, "k,t_ms\n" + "".join(f"{k},{20 * k}\n" for k in range(72)), by="k")


def test_the_group_is_in_the_summary(tmp_path):
    """One entry of the runs a group."""
    log = read(tmp_path, TEXT, by="robot")
    said = [looptime.summarise(run).to_dict() for run in log.runs]
    assert [one["group"] for one in json.loads(json.dumps(said))] == ["a", "b"]
    alone = read_one(tmp_path, "t_ms\n0\n20\n40\n60\n")
    assert looptime.summarise(alone).to_dict()["group"] is None


def three_tasks(header):
    """Tasks every 5, 20 and 40 ms, which take 1.2, 3 and 9 ms, so that they overlap."""
    rng = np.random.default_rng(2)
    rows = sorted(
        (k * every + int(rng.integers(0, 40)), task, took)
        for task, every, took in (("drive", 5000, 1200), ("arm", 20000, 3000), ("eye", 40000, 9000))
        for k in range(1, 1_600_000 // every)
    )
    more = ",7" if header.endswith("free") else ""
    return "\n".join([header, *(",".join(map(str, row)) + more for row in rows)]) + "\n"


def read_by_task(tmp_path, text, name):
    log = read(tmp_path, text, by=name)
    usual = {run.meta["group"]: round(float(np.median(periods_ms(run)))) for run in log.runs}
    assert usual == {"drive": 5, "arm": 20, "eye": 40}


def test_tasks_of_a_pace_each_are_read_by_task(tmp_path):
    """The refusal names the step, and the step reads each."""
    text = three_tasks("Beginn_us,Aufgabe,Dauer_us")
    with pytest.raises(LogError, match=r"rows of 3 senders.*--by Aufgabe"):
        read(tmp_path, text)
    read_by_task(tmp_path, text, "Aufgabe")


@pytest.mark.parametrize("header", ["t_us,task,exec_us", "t_us,task,exec_us,free"])
def test_tasks_that_overlap_and_say_how_long_they_ran_are_threads(tmp_path, header):
    """The loop is the task that comes most often; the others are beside it, at their own cost."""
    text = three_tasks(header)
    run = read_one(tmp_path, text)
    assert np.median(periods_ms(run)) == pytest.approx(5, abs=0.02)
    beside = run.calls[run.calls.thread != "drive"]
    by_name = beside.groupby("name", observed=True).duration_ns
    assert by_name.agg(["count", "max"]).to_dict("index") == {
        "arm": {"count": 79, "max": 3_000_000}, "eye": {"count": 39, "max": 9_000_000},
    }  # fmt: skip
    read_by_task(tmp_path, text, "task")
