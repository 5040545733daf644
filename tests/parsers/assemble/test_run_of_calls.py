"""Runs of timed calls: loops, nesting, threads, boundaries; the books balance."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from tests.parsers.assemble.build import HEADER, by_name, write
from tests.parsers.build import balance


@pytest.mark.parametrize("order", ["start", "end"])
def test_nested_calls_in_either_order(tmp_path, order):
    """Rows in start order and rows in end order give the same self times."""
    rows = []
    for k in range(4):
        t = k * 1000
        inner = [f"a.read,{t + 110},50\n", f"b.read,{t + 200},30\n"]
        outer = [f"drive.update,{t + 100},200\n"]
        both = outer + inner if order == "start" else inner + outer
        rows += [f"gyro.read,{t},50\n", *both]
    run = looptime.read(write(tmp_path, HEADER + "".join(rows)))
    assert by_name(run) == {
        "gyro.read": [50.0] * 3,
        "a.read": [50.0] * 3,
        "b.read": [30.0] * 3,
        "drive.update": [120.0] * 3,
    }
    balance(run)


def test_calls_that_overlap_in_a_chain_are_set_aside(tmp_path):
    """Two threads in one log without a thread column: what overlaps is set aside, and told so."""
    rows = "".join(
        f"gyro.read,{k * 1003},601\n"
        f"range.read,{k * 1003 + 307},602\n"
        f"enc.read,{k * 1003 + 803},151\n"
        for k in range(50)
    )
    run = looptime.read(write(tmp_path, HEADER + rows))
    assert by_name(run) == {"gyro.read": [601.0] * 49, "enc.read": [151.0] * 49}
    assert run.set_aside.counts == {"overlaps another call": 49, "unfinished last loop": 3}
    balance(run)


def one_late(arm_us, loops=100, every=None):
    """Loops of a read, an update and a write 10 ms in; one update (or each nth) takes `arm_us`."""
    rows = ""
    for k in range(loops):
        late = k == 40 if every is None else k % every == 0
        t, arm = 20_003 * k, arm_us if late else 9_000
        rows += f"gyro.read,{t},500\narm.update,{t + 901},{arm}\ndrive.write,{t + 10_007},2000\n"
    return rows


@pytest.mark.parametrize(("arm_us", "kept"), [(9_120, True), (9_290, True), (10_300, False)])
def test_a_call_that_runs_on_a_little_past_the_next_ends_there(tmp_path, arm_us, kept):
    """Up to a tenth of the shorter call, 0.2 of 2 ms, its self time is cut; beyond not."""
    run = looptime.read(write(tmp_path, HEADER + one_late(arm_us)))
    balance(run)
    names = [name.name for name in run.names]
    write_at = run.call_columns.start_ns[run.call_columns.name == names.index("drive.write")]
    arms = run.call_columns.duration_ns[run.call_columns.name == names.index("arm.update")]
    assert arms.max() == 1_000 * arm_us  # its length stays as logged
    if kept:
        assert np.diff(write_at).tolist() == [20_003_000] * 98
        assert max(by_name(run)["arm.update"]) == 9_106
        assert "overlaps another call" not in run.set_aside.counts
        assert any("ended a little after" in note for note in run.clock.notes)
    else:
        assert run.set_aside.counts["overlaps another call"] == 1
        assert not any("ended a little after" in note for note in run.clock.notes)


def test_calls_that_overlap_again_and_again_are_of_two_threads(tmp_path):
    """Where more than a twentieth of the rows overlap, no row is kept by cutting another."""
    rows = "".join(f"main,{row}\n" for row in one_late(9_200, every=3).splitlines())
    run = looptime.read(write(tmp_path, f"thread,{HEADER}{rows}"))
    assert run.set_aside.counts["overlaps another call"] == 33  # the last loop is unfinished
    balance(run)


def whole_loops(kept, gone=()):
    """A recorder's log of 300 loops of three rows: those kept, but for the rows `gone`."""
    rows = [
        f"{n},{3 * n + at},{name},{1000 * n + start},{took}\n"
        for n in kept
        for at, (name, start, took) in enumerate(
            [("step", 100, 200), ("step", 400, 200), ("loop", 0, 1000)]
        )
        if 3 * n + at not in gone
    ]
    head = "# looptime-recorder: cpp 1\n# dropped: 0\nloop,seq,name,start_us,duration_us\n"
    return head + "".join(rows) + f"# dropped: {900 - 3 * len(kept)}\n"


def test_loops_that_a_recorder_left_out_harm_none_of_the_others(tmp_path):
    """The rows' numbers have gaps, which its own count explains: all loops there are whole."""
    kept = [n for n in range(300) if n % 10 < 7]
    run = looptime.read(write(tmp_path, whole_loops(kept)))
    assert run.loop_columns.loop.tolist() == kept
    assert run.dropped == 270
    assert not any("missing" in note for note in run.clock.notes)
    balance(run)


def test_rows_that_a_recorder_did_not_leave_out_harm_their_loops(tmp_path):
    """A row lost since, which its own count does not explain, is said and its loops left out."""
    kept = list(range(300))
    run = looptime.read(write(tmp_path, whole_loops(kept, gone={3 * 50 + 1, 3 * 80})))
    assert {50, 80}.isdisjoint(run.loop_columns.loop.tolist())
    assert any("2 rows are missing" in note for note in run.clock.notes)


def test_other_threads_do_not_count_in_the_loop(tmp_path):
    """Calls of another thread are kept with their loop by time and cost the loop nothing."""
    rows = "".join(
        f"main,a.read,{k * 1000},300\nmain,b.write,{k * 1000 + 500},50\n"
        f"reader,gyro.read,{k * 1000 + 100},800\n"
        for k in range(4)
    )
    run = looptime.read(write(tmp_path, "thread,name,start_us,duration_us\n" + rows))
    assert run.thread_names[run.loop_thread] == "main"
    assert run.unattributed_ns().tolist() == [650_000] * 3
    reader = run.calls[run.calls.thread == "reader"]
    assert reader.loop.tolist() == [0, 1, 2]
    assert reader.self_ns.tolist() == [800_000] * 3
    balance(run)


def test_many_spans_are_one_run(tmp_path, monkeypatch):
    """Cutting the rows into small spans changes nothing."""
    rng = np.random.default_rng(5)
    rows, t = [], 0
    for k in range(400):
        start = t
        t += int(rng.integers(10, 50))
        gyro = (t, int(rng.integers(100, 300)))
        t += gyro[1] + int(rng.integers(0, 9))
        outer = t
        inner = (t + 3, int(rng.integers(50, 90)))
        t = inner[0] + inner[1] + 7
        rows += [
            f"{k},gyro.read,{gyro[0]},{gyro[1]}\n",
            f"{k},enc.read,{inner[0]},{inner[1]}\n",
            f"{k},drive.update,{outer},{t - outer}\n",
            f"{k},loop,{start},{t + 20 - start}\n",
        ]
        t += 20
    path = write(tmp_path, "loop,name,start_us,duration_us\n" + "".join(rows))
    whole = looptime.read(path)
    monkeypatch.setattr("looptime.parsers.assemble.spans.SPAN_ROWS", 37)
    cut = looptime.read(path)
    assert cut.calls.equals(whole.calls)
    assert cut.loops.equals(whole.loops)
    assert (cut.loop_columns.line == whole.loop_columns.line).all()
    assert cut.loop_columns.line[:3].tolist() == [2, 6, 10]
    balance(cut)


def test_signals_and_marks_of_a_recorder(tmp_path):
    """Signal rows and hand-over marks are told from calls."""
    text = "loop,thread,seq,name,start_us,duration_us,phase,mark,value\n"
    for k in range(4):
        t = k * 1000
        text += (
            f"{k},main,0,heading_deg,{t + 5},0,,signal,{k * 1.5}\n"
            f"{k},main,1,gyro.read,{t + 10},0,,used,\n"
            f"{k},gyro,0,gyro.read,{t + 200},100,,,\n"
            f"{k},gyro,1,gyro.read,{t + 300},0,,published,\n"
            f"{k},main,2,motor.write,{t + 20},100,,,\n"
            f"{k},main,3,loop,{t},1000,,,\n"
        )
    run = looptime.read(write(tmp_path, text))
    assert len(run) == 4
    assert run.signals.values["heading_deg"].tolist() == [0.0, 1.5, 3.0, 4.5]
    assert run.marks.used.tolist() == [True, False] * 4
    assert {run.names[c].name for c in run.marks.name} == {"gyro.read"}
    assert len(run.calls) == 8
    balance(run)


def test_phases(tmp_path):
    """Each loop has the phase of its first row."""
    text = "loop,name,start_us,duration_us,phase\n" + "".join(
        f"{k},a,{k * 1000},5,{'standby' if k < 2 else 'operator'}\n" for k in range(5)
    )
    run = looptime.read(write(tmp_path, text))
    assert run.loops.phase.tolist() == ["standby", "standby", "operator", "operator"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("\n\n", "holds no text"),
        ("name,start_us,duration_us\n", "nothing was logged"),
        ("name,start_us,duration_us\na,1,2\n", "single loop"),
        ("time_ms,heading\n5,1\n", "single loop"),
    ],
)
def test_unusable_logs_say_so_in_one_line(tmp_path, text, message):
    """Too little to analyse is one sentence that names the file."""
    path = write(tmp_path, text)
    with pytest.raises(LogError, match=message) as caught:
        looptime.read(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_missing_folder_and_binary(tmp_path):
    """A missing file, a folder and a binary file are each named for what they are."""
    with pytest.raises(LogError, match="no such file"):
        looptime.read(tmp_path / "none.csv")
    with pytest.raises(LogError, match="is a folder"):
        looptime.read(tmp_path)
    path = tmp_path / "image.bin"
    path.write_bytes(bytes(range(256)) * 20)
    with pytest.raises(LogError, match="not a text log"):
        looptime.read(path)


def test_our_recorders_are_believed(tmp_path):
    """A bench that spins in a tenth of a microsecond is odd, but its unit is certain."""
    rows = "".join(f"{k},main,{k},a,{k / 10:.3f},0.02,,,\n" for k in range(50))
    head = "loop,thread,seq,name,start_us,duration_us,phase,mark,value\n"
    with pytest.raises(LogError, match="--unit"):
        looptime.read(write(tmp_path, head + rows))
    run = looptime.read(write(tmp_path, "# looptime-recorder: java 1\n" + head + rows))
    assert set(run.loop_columns.period_ns.tolist()) == {100}
