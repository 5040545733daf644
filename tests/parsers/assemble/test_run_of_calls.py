"""Runs of timed calls: loops, nesting, threads, boundaries; the books balance."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from tests.parsers.build import balance

HEADER = "name,start_us,duration_us\n"


def write(tmp_path, text, name="log.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def by_name(run):
    """Self time [us] in each loop, by name."""
    pieces = run.self_pieces()
    table = {}
    for code, name in enumerate(run.names):
        mine = pieces.name == code
        table[name.name] = (
            np.bincount(pieces.loop[mine], weights=pieces.self_ns[mine], minlength=len(run)) / 1e3
        ).tolist()
    return table


def test_recurring_call_marks_the_loop(tmp_path):
    """Without a loop column the call that recurs once a cycle begins each loop."""
    rows = "".join(
        f"gyro.read,{k * 1000},300\nmotor.write,{k * 1000 + 400},100\n" for k in range(5)
    )
    run = looptime.read(write(tmp_path, HEADER + rows))
    assert run.loop_columns.period_ns.tolist() == [1_000_000] * 4
    assert by_name(run) == {"gyro.read": [300.0] * 4, "motor.write": [100.0] * 4}
    assert run.unattributed_ns().tolist() == [600_000] * 4
    assert run.set_aside.counts == {"unfinished last loop": 2}
    assert "gyro.read" in run.loop_from
    balance(run)


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


@pytest.mark.parametrize("order", ["start", "end"])
def test_row_that_encloses_the_whole_loop(tmp_path, order):
    """An enclosing row is the loop and no call; what it covers beyond the calls is unattributed."""
    rows = []
    for k in range(4):
        t = k * 1000
        outer, inner = f"loop,{t},900\n", f"gyro.read,{t + 100},300\n"
        rows += [outer, inner] if order == "start" else [inner, outer]
    run = looptime.read(write(tmp_path, HEADER + "".join(rows)))
    assert [name.name for name in run.names] == ["gyro.read"]
    assert run.loop_columns.body_ns.tolist() == [900_000] * 3
    assert run.unattributed_ns().tolist() == [700_000] * 3
    balance(run)


@pytest.mark.parametrize("wait", [3000, 11000])
def test_an_enclosing_row_beside_which_the_loop_waits(tmp_path, wait):
    """However long the loop waits for its next tick, the row around the calls is the loop."""
    step = 9000 + wait
    rows = "".join(
        f"gyro.read,{k * step + 10},3000\nsystems,{k * step},9000\nsleep,{k * step + 9000},{wait}\n"
        for k in range(6)
    )
    run = looptime.read(write(tmp_path, HEADER + rows))
    assert run.loop_from == "'systems' encloses the loop"
    assert by_name(run) == {"gyro.read": [3000.0] * 5, "sleep": [float(wait)] * 5}
    assert run.unattributed_ns().tolist() == [6_000_000] * 5
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


def test_enclosing_rows_without_gaps_close_the_last_loop(tmp_path):
    """Where enclosing rows tile the time, the last of them is a whole loop too."""
    rows = "".join(f"gyro.read,{k * 1000 + 100},300\nloop,{k * 1000},1000\n" for k in range(4))
    run = looptime.read(write(tmp_path, HEADER + rows))
    assert len(run) == 4
    assert len(run.set_aside) == 0
    balance(run)


def test_loop_column(tmp_path):
    """A loop column numbers the loops; each begins at its earliest row."""
    text = "loop,name,start_us,duration_us\n" + "".join(
        f"{k + 7},a,{k * 1000 + 10},5\n{k + 7},b,{k * 1000 + 20},5\n" for k in range(3)
    )
    run = looptime.read(write(tmp_path, text))
    assert run.loop_columns.loop.tolist() == [7, 8]
    assert run.loop_columns.start_ns.tolist() == [10_000, 1_010_000]
    assert run.loop_from == "the loop column"
    balance(run)


def test_lost_loops_make_no_long_period(tmp_path):
    """Where loop numbers are missing, no period spans the hole."""
    text = "loop,name,start_us,duration_us\n" + "".join(
        f"{k},a,{k * 1000},5\n" for k in (0, 1, 2, 8, 9, 10)
    )
    run = looptime.read(write(tmp_path, text))
    assert run.loop_columns.loop.tolist() == [0, 1, 8, 9]
    assert set(run.loop_columns.period_ns.tolist()) == {1_000_000}
    assert run.set_aside.counts == {"unfinished last loop": 1, "rows lost around it": 1}
    balance(run)


@pytest.mark.parametrize("together", [2, 3, 40])
def test_lost_loops_leave_the_last_whole_one(together, tmp_path):
    """Rows of loops that end where the next begins, many lost: each that has its row is a loop."""
    kept = [n for n in range(200) if n % (together + 3) < together]
    text = "loop,name,start_us,duration_us\n" + "".join(
        f"{n},step,{1000 * n + 100},200\n{n},loop,{1000 * n},1000\n" for n in kept
    )
    text += f"{kept[-1] + 1},step,{1000 * kept[-1] + 1100},200\n"  # cut short: no row of its own
    run = looptime.read(write(tmp_path, text))
    assert run.loop_columns.loop.tolist() == kept
    assert set(run.loop_columns.period_ns.tolist()) == {1_000_000}
    assert run.set_aside.counts == {"unfinished last loop": 1}
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


def test_loop_call_option(tmp_path):
    """The caller may name the call that begins a loop; an unknown name gets the nearest."""
    rows = "".join(
        f"gyro.read,{k * 1000},300\nmotor.write,{k * 1000 + 400},100\n" for k in range(5)
    )
    path = write(tmp_path, HEADER + rows)
    run = looptime.read(path, loop_call="motor.write")
    assert run.loop_columns.start_ns[0] == 400_000
    assert run.set_aside.counts == {"before first loop": 1, "unfinished last loop": 1}
    balance(run)
    with pytest.raises(LogError, match=r"nearest is 'motor\.write'"):
        looptime.read(path, loop_call="motor.writ")


def test_call_across_a_loop_boundary_is_split(tmp_path):
    """A call that runs on into the next two loops is one row whose self time is shared out."""
    text = (
        "loop,name,start_us,duration_us\n"
        "0,a,0,100\n0,long,700,1600\n"  # reaches 2300: 300 in loop 0, 1000 in 1, 300 in 2
        "1,inner,1000,50\n"
        "2,inner,2000,50\n2,b,2500,10\n"
        "3,a,3000,100\n"
    )
    run = looptime.read(write(tmp_path, text))
    assert len(run) == 3
    table = by_name(run)
    assert table["long"] == [300.0, 950.0, 250.0]
    assert table["inner"] == [0.0, 50.0, 50.0]
    long = run.calls[run.calls.name == "long"]
    assert long.duration_ns.tolist() == [1_600_000]
    assert long.self_ns.tolist() == [1_500_000]
    balance(run)


def test_call_past_the_last_loop(tmp_path):
    """What reaches past the last whole loop belongs to none; the books still balance."""
    text = "loop,name,start_us,duration_us\n0,a,0,10\n1,a,1000,10\n1,long,1500,900\n2,a,2600,5\n"
    text = text.replace("2,a,2600,5", "2,a,2000,5")
    run = looptime.read(write(tmp_path, text))
    assert by_name(run)["long"] == [0.0, 500.0]
    balance(run)


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


def test_stamps(tmp_path):
    """One stamp a row: periods are the steps, the last row begins a loop that never ended."""
    run = looptime.read(write(tmp_path, "time_ms,heading\n0,1\n10,2\n25,3\n"))
    assert run.loop_columns.period_ns.tolist() == [10_000_000, 15_000_000]
    assert run.signals.values["heading_deg"].tolist() == [1.0, 2.0]
    assert run.set_aside.counts == {"unfinished last loop": 1}
    balance(run)


def test_our_recorders_are_believed(tmp_path):
    """A bench that spins in a tenth of a microsecond is odd, but its unit is certain."""
    rows = "".join(f"{k},main,{k},a,{k / 10:.3f},0.02,,,\n" for k in range(50))
    head = "loop,thread,seq,name,start_us,duration_us,phase,mark,value\n"
    with pytest.raises(LogError, match="--unit"):
        looptime.read(write(tmp_path, head + rows))
    run = looptime.read(write(tmp_path, "# looptime-recorder: java 1\n" + head + rows))
    assert set(run.loop_columns.period_ns.tolist()) == {100}
