"""Lines that are JSON objects."""

import json
from itertools import pairwise

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.lines.objects import read_objects
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.lines.build import COSTS, PERIODS, ROWS


def test_seconds_and_nanoseconds_in_an_object(tmp_path):
    """``sec`` and ``nanosec`` of a stamp are one time."""
    text = "".join(
        json.dumps({"stamp": {"sec": 7 + ns // 10**9, "nanosec": ns % 10**9}, "imu_us": 9}) + "\n"
        for ns in (999_900_000, 999_961_700, 1_000_023_400, 1_000_085_100)
    )
    run = read(tmp_path, text)
    assert run.loop_columns.period_ns.tolist() == [61_700] * 3


def test_a_unit_in_the_name_of_an_object_is_that_of_its_values(tmp_path):
    """``parts_us`` holds microseconds."""
    text = "".join(
        json.dumps({"t_ms": t, "parts_us": {"imu": 1000 * imu, "drive": 1000 * drive}}) + "\n"
        for t, imu, drive in ROWS
    )
    found = self_ms(read(tmp_path, text))
    assert {name.rpartition(".")[2]: ms for name, ms in found.items()} == COSTS


@pytest.mark.parametrize(
    ("above", "name"),
    [("calls_ms", "imu"), ("loop_parts_ms", "imu"), ("ms", "imu"), ("sensors_ms", "sensors.imu"),
     ("arm.durations_ms", "arm.durations.imu"), ("calls", "calls.imu")],
)  # fmt: skip
def test_no_unit_is_left_in_the_name_of_a_call(above, name, tmp_path):
    """A key above that says no more than that times stand below it goes; else its unit does."""
    inner = "imu" if above.endswith("ms") else "imu_ms"
    lines = (json.dumps({"t_ms": t, above: {inner: imu}}) for t, imu, _ in ROWS)
    assert list(self_ms(read(tmp_path, "\n".join(lines) + "\n"))) == [name]


def test_two_calls_of_one_name_keep_the_keys_above_them(tmp_path):
    """Without these nobody could tell them apart."""
    lines = (json.dumps({"t_ms": t, "calls_ms": {"imu": imu}, "parts_ms": {"imu": drive}})
             for t, imu, drive in ROWS)  # fmt: skip
    assert set(self_ms(read(tmp_path, "\n".join(lines) + "\n"))) == {"calls_ms.imu", "parts_ms.imu"}


@pytest.mark.parametrize("key", ["timing", "took", "durations", "loop_times"])
def test_what_stands_in_an_object_of_lengths_is_one(key, tmp_path):
    """Even where the loop waits for its tick in no row: nothing else would tell; "heading" too."""
    draw = np.random.default_rng(3)
    lines = []
    for k in range(60):
        held = {"imu": draw.uniform(1, 2), "heading": draw.uniform(3, 5), "send": 9 * (k % 7 == 3)}
        pose = {"heading": round(90 - 0.3 * k, 1), "y": k % 5}
        lines.append(json.dumps({"t_ms": 20 * k, key: held, "pose": pose}))
    run = read(tmp_path, "\n".join(lines) + "\n")
    assert [name.rpartition(".")[2] for name in self_ms(run)] == ["imu", "heading", "send"]
    assert run.signals.values["heading_deg"][:3].tolist() == [90.0, 89.7, 89.4]


def test_counts_flags_and_stamps_among_lengths_are_none(tmp_path):
    """An object of lengths may hold the instant, a number and a flag as well."""
    lines = [
        json.dumps({"timing_ms": {"t": 20 * k, "seq": k, "ok": k % 3 > 0, "imu": 2 + k % 4 / 10}})
        for k in range(60)
    ]
    run = read(tmp_path, "\n".join(lines) + "\n")
    assert periods_ms(run) == [20.0] * 59
    assert [name.rpartition(".")[2] for name in self_ms(run)] == ["imu"]


def test_objects_may_be_called_settings(tmp_path):
    """The ending .json is that of settings, unless a line holds an object of times."""
    text = "".join(json.dumps({"t_ms": t, "imu_ms": imu}) + "\n" for t, imu, _ in ROWS)
    assert periods_ms(read(tmp_path, text, name="log.json")) == PERIODS
    with pytest.raises(LogError, match="no log but settings"):
        read(tmp_path, "t_ms,imu\n1,2\n3,4\n5,4\n", name="log.json")


def test_objects_keep_every_digit(tmp_path):
    """Nanoseconds since 1970 in an object come through as they are written."""
    start = 1_767_225_600_123_456_789
    text = "".join(
        json.dumps({"ts_ns": start + k * 20_000_001, "imu_us": 900}) + "\n" for k in range(5)
    )
    run = read(tmp_path, text, name="log.jsonl")
    assert run.loop_columns.period_ns.tolist() == [20_000_001] * 4


def test_objects_in_a_list_are_called_by_their_only_word(tmp_path):
    """{"n": "claw", "us": 900}: whatever the key, the word names the length beside it."""
    lines = [
        json.dumps({"loop": k, "start_us": 20_000 * k, "parts": [
            {"n": "yaw", "us": 1500 + k}, {"n": "claw", "us": 900}]})
        for k in range(30)
    ]  # fmt: skip
    run = read(tmp_path, "\n".join(lines) + "\n", "log.jsonl")
    assert self_ms(run)["claw"] == pytest.approx([0.9] * 29)


def test_objects_run_into_one_are_none():
    """A key stands once in an object: a line that lost its end and took the next one's is none."""
    lines = [f'{{"t_ms": {20 * k}, "imu_us": 9, "enc_us": {k}}}' for k in range(9)]
    lines[4] = lines[4][:25] + lines[5][12:]
    assert [row is None for row in read_objects(lines).rows] == [k == 4 for k in range(9)]


@pytest.mark.parametrize("holds", ["[%s]", '{"robot": "tray carrier", "loops": [%s]}\n'])
def test_a_document_on_one_line_is_read_object_by_object(tmp_path, holds):
    """A list of objects as a library dumps it, alone or under a key: each object is a loop."""
    rng = np.random.default_rng(8)
    imu, arm = rng.integers(900, 1400, (2, 3000)) / 1000
    start = np.cumsum(np.append(0, imu + arm + 0.3)[:-1]).round(3)
    rows = [
        {"t_ms": t, "calls": [{"name": "imu", "ms": a}, {"name": "arm", "ms": b}]}
        for t, a, b in zip(start.tolist(), imu.tolist(), arm.tolist(), strict=True)
    ]
    run = read(tmp_path, holds % ", ".join(map(json.dumps, rows)), name="log.json")
    assert run.loop_columns.period_ns.tolist() == np.diff(np.rint(start * 1e6)).tolist()
    assert self_ms(run)["arm"] == arm[:-1].tolist()


def two_runs(form):
    """A document of two runs of 200 and of 150 loops of 5 and of 8 ms."""
    runs = [
        {"loops": [{"t_ms": period * k, "imu_ms": 1.5, "arm_ms": 2.25} for k in range(count)]}
        for count, period in ((200, 5), (150, 8))
    ]
    return json.dumps({"robot": "tray carrier", "runs": runs}, **form)


@pytest.mark.parametrize("form", [{}, {"indent": 2}])
def test_loops_of_runs_in_one_document_are_all_read(tmp_path, form):
    """Two lists of loops in a list of runs: the clock begins again, and so does a run."""
    path = tmp_path / "log.json"
    path.write_text(two_runs(form))
    runs = looptime.read_log(path, cache=False).runs
    assert [len(run) for run in runs] == [199, 149]
    assert [set(run.loop_columns.period_ns.tolist()) for run in runs] == [{5_000_000}, {8_000_000}]


def test_a_document_that_was_cut_short_gives_what_of_it_is_whole(tmp_path):
    """It ends in the 100th loop of the second run."""
    text = two_runs({})
    text = text[: text.index('"t_ms": 792') + 5]
    path = tmp_path / "log.json"
    path.write_text(text)
    runs = looptime.read_log(path, cache=False).runs
    assert [len(run) for run in runs] == [199, 98]


def test_lengths_in_objects_of_their_calls_are_the_calls(tmp_path):
    """{"calls": {"imu": {"dur": 2.1}}}: the call is imu."""
    rng = np.random.default_rng(8)
    imu, start = rng.uniform(1, 2, 300).tolist(), np.cumsum(rng.uniform(5, 6, 301)).tolist()
    lines = [
        json.dumps({"t_ms": t, "calls": {"imu": {"dur": a}, "arm": {"dur": t1 - t - a}}})
        for (t, t1), a in zip(pairwise(start), imu, strict=True)
    ]
    assert set(self_ms(read(tmp_path, "\n".join(lines) + "\n", "log.jsonl"))) == {"imu", "arm"}


@pytest.mark.parametrize("indent", [None, 1], ids=["on one line", "printed"])
@pytest.mark.parametrize("key", ["time_unit", "timeUnit", "unit"])
def test_a_document_states_its_unit_above_its_list(tmp_path, key, indent):
    """Loops of 20 ms in microseconds, as what stands before them says."""
    loops = [{"start": 20_000 * k, "imu": 900 + k % 3} for k in range(30)]
    run = read(tmp_path, json.dumps({"robot": "carrier", key: "us", "loops": loops}, indent=indent))
    assert (run.clock.unit, run.clock.unit_from) == ("us", "log")
    assert periods_ms(run) == [20.0] * 29
