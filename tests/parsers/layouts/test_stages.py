"""Logs of instants within each loop."""

import numpy as np
import pytest

from looptime.errors import LogError
from tests.parsers.build import periods_ms, read, self_ms, unattributed_ms

# start, gyro done, drive done, all done [ms]
ROWS = [(0, 1, 5, 7), (20, 22, 25, 28), (41, 42, 47, 49), (60, 63, 66, 69), (80, 81, 85, 86)]


def text(header, rows=ROWS, scale=1):
    """Rows as a log."""
    return header + "".join(",".join(str(c * scale) for c in row) + "\n" for row in rows)


@pytest.mark.parametrize(
    ("header", "scale"),
    [
        ("loop_start_ms,gyro_end_ms,drive_end_ms,loop_end_ms\n", 1),
        ("loop start (us),gyro done (us),drive done (us),loop end (us)\n", 1000),
        ("startUs,afterGyroUs,afterDriveUs,endUs\n", 1000),
    ],
)
def test_instants_at_which_stages_end(tmp_path, header, scale):
    """A stage whose end alone is given began at the instant before it."""
    run = read(tmp_path, text(header, scale=scale))
    assert run.layout == "stages"
    assert periods_ms(run) == [20.0, 21.0, 19.0, 20.0]
    table = {name.lower(): times for name, times in self_ms(run).items()}
    assert table == {"gyro": [1.0, 2.0, 1.0, 3.0], "drive": [4.0, 3.0, 5.0, 3.0]}
    assert unattributed_ms(run) == [15.0, 16.0, 13.0, 14.0]
    assert run.loop_columns.body_ns.tolist() == [7_000_000, 8_000_000, 8_000_000, 9_000_000]
    assert run.clock.starts_from == "log"
    assert run.set_aside.counts == {"unfinished last loop": 1}


def test_instants_at_which_stages_begin(tmp_path):
    """A stage whose begin alone is given lasts until the next instant, or the next row."""
    run = read(tmp_path, text("gyro_start_ms,drive_start_ms,log_start_ms,idle_start_ms\n"))
    assert self_ms(run) == {
        "gyro": [1.0, 2.0, 1.0, 3.0],
        "drive": [4.0, 3.0, 5.0, 3.0],
        "log": [2.0, 3.0, 2.0, 3.0],
        "idle": [13.0, 13.0, 11.0, 11.0],
    }
    assert unattributed_ms(run) == [0.0] * 4


def test_begin_and_end_of_each_stage_in_any_order(tmp_path):
    """Pairs of begin and end nest; the order of the columns does not matter."""
    header = "drive_end_ms,drive_start_ms,encoder_start_ms,encoder_end_ms,cycle_start_ms\n"
    rows = [(k * 20 + 9, k * 20 + 1, k * 20 + 2, k * 20 + 5, k * 20) for k in range(5)]
    run = read(tmp_path, text(header, rows))
    assert self_ms(run) == {"drive": [5.0] * 4, "encoder": [3.0] * 4}
    assert run.call_columns.depth.tolist() == [0, 1] * 4
    assert unattributed_ms(run) == [12.0] * 4


def test_units_may_differ(tmp_path):
    """Each instant is read in the unit that its header names."""
    rows = [(k * 20, k * 20_000 + 1500) for k in range(5)]
    run = read(tmp_path, text("loop_start_ms,gyro_end_us\n", rows))
    assert self_ms(run) == {"gyro": [1.5] * 4}


def test_rows_whose_instants_run_backwards(tmp_path):
    """Such a row is set aside, and the loop before it, whose length it would have told."""
    rows = [*ROWS[:2], (41, 30, 47, 49), *ROWS[3:]]
    run = read(tmp_path, text("loop_start_ms,gyro_end_ms,drive_end_ms,loop_end_ms\n", rows))
    assert run.set_aside.counts == {
        "negative duration": 1,
        "rows lost around it": 1,
        "unfinished last loop": 1,
    }
    assert periods_ms(run) == [20.0, 20.0]


def test_a_loop_column_and_signals_beside_the_instants(tmp_path):
    """Columns that are no instants keep their meaning."""
    header = "loop,heading,loop_start_ms,gyro_end_ms\n"
    rows = [(k + 5, 90 - k, k * 20, k * 20 + 3) for k in range(4)]
    run = read(tmp_path, text(header, rows))
    assert run.loop_columns.loop.tolist() == [5, 6, 7]
    assert run.signals.values["heading_deg"].tolist() == [90.0, 89.0, 88.0]


def test_too_few_rows_to_tell_instants_from_durations(tmp_path):
    """Where headers and values leave it open, the error names both layouts."""
    log = "time_ms,gyro_end_ms,drive_end_ms\n0,1,2\n20,21,25\n"
    with pytest.raises(LogError, match=r"--layout stages or --layout costs"):
        read(tmp_path, log)
    assert read(tmp_path, log, layout="stages").layout == "stages"
    assert read(tmp_path, log, layout="costs").layout == "costs"


@pytest.mark.parametrize("last", ["t_written", "t_out"])
def test_an_instant_of_no_known_word_between_the_others(tmp_path, last):
    """It stands after all others and before the next row in each loop: the last stage's end."""
    run = read(tmp_path, text(f"t_start,t_gyro_done,t_drive_done,{last}\n"), unit="ms")
    assert list(self_ms(run).values()) == [
        [1.0, 2.0, 1.0, 3.0], [4.0, 3.0, 5.0, 3.0], [2.0, 3.0, 2.0, 3.0],
    ]  # fmt: skip
    assert unattributed_ms(run) == [13.0, 13.0, 11.0, 11.0]


def test_a_value_that_climbs_beside_the_instants_is_no_stage(tmp_path):
    """A way that only grows stands nowhere between the instants of its loop."""
    rows = [(*row[:3], 3 * k) for k, row in enumerate(ROWS)]
    run = read(tmp_path, text("t_start,t_gyro_done,t_drive_done,way_m\n", rows), unit="ms")
    assert len(run.names) == 2


@pytest.mark.parametrize(
    ("header", "per_ms", "unit"),
    [("n|wake|read|calc|done", 1, "ms"), ("k;tick;sense;act;sleep", 1000, "us"),
     ("wach\tlesen\trechnen\tsenden", 0.001, "s")],
)  # fmt: skip
def test_instants_that_no_header_calls_so(tmp_path, header, per_ms, unit):
    """Numbers that go on along each row and into the next are of one clock; its unit is doubted."""
    rng = np.random.default_rng(3)
    lengths = rng.uniform((3, 4, 2, 0.01), (4, 6, 3, 0.05), (300, 4))
    times = (500 + np.append(0, np.cumsum(lengths.ravel())[:-1]).reshape(300, 4)) * per_ms
    mark = next(c for c in header if c in "|;\t")
    rows = [[*([k] if header[1] == mark else []), *(f"{t:.6f}" for t in row)]
            for k, row in enumerate(times)]  # fmt: skip
    run = read(tmp_path, "\n".join([header, *(mark.join(map(str, row)) for row in rows)]) + "\n")
    names = header.split(mark)[-4:]
    assert run.layout == "stages"
    assert run.clock.unit == unit
    assert "as their size suggests: --unit says it" in run.clock.limits[0]
    assert periods_ms(run) == pytest.approx(lengths.sum(axis=1)[:299], abs=2e-3)
    found = self_ms(run)
    for at in range(3):
        assert found[f"{names[at]} to {names[at + 1]}"] == pytest.approx(
            lengths[:299, at], abs=2e-3
        )


def test_counters_that_climb_side_by_side_are_no_instants(tmp_path):
    """Three wheels turn by nearly the same: they cross, and beside a clock they are signals."""
    rng = np.random.default_rng(4)
    wheels = np.cumsum(rng.integers(20, 30, (300, 3)), axis=0)
    rows = "".join(f"{20 * k + k % 3},{a},{b},{c}\n" for k, (a, b, c) in enumerate(wheels))
    run = read(tmp_path, "time_ms,left,right,rear\n" + rows)
    assert (run.layout, run.names) == ("stamps", ())


AFTER = [
    ("start", "after {}", "read drive send"),
    ("inicio", "tras {}", "leer mover enviar"),
    ("Beginn", "nach {}", "Lesen Fahren Senden"),
    ("début", "fin {}", "lecture conduite envoi"),
    ("inizio", "dopo {}", "lettura guida invio"),
    ("loop_begin", "{}_done", "read drive send"),
    ("inicio", "después de {}", "leer mover enviar"),
]
TOOK = (2.0, 6.0, 1.0)


@pytest.mark.parametrize("shape", ["columns", "rows", "lines"])
@pytest.mark.parametrize(("first", "after", "called"), AFTER)
def test_a_mark_made_when_something_is_over_names_what_it_ends(
    tmp_path, first, after, called, shape
):
    """The stretch before an instant "after X" is X, in one column a mark or one row a mark."""
    names = [first, *map(after.format, called.split())]
    lines = {"columns": [";".join(f"{name} [ms]" for name in names)], "rows": ["t_ms;mark"]}
    made, t = lines.get(shape, []), 100.0
    for _ in range(40):
        at = [t + sum(TOOK[:k]) for k in range(4)]
        if shape == "columns":
            made.append(";".join(f"{one:.2f}" for one in at))
        elif shape == "rows":
            made += [f"{one:.2f};{name}" for one, name in zip(at, names, strict=True)]
        else:
            made += [f"[{one:9.2f}] {name}" for one, name in zip(at, names, strict=True)]
        t = at[-1] + 0.5
    run = read(tmp_path, "\n".join(made) + "\n")
    found = self_ms(run)
    assert [np.median(found[name]) for name in called.split()] == pytest.approx(TOOK)


def test_marks_in_a_language_that_nobody_knows_are_named_by_both_ends(tmp_path):
    """Where no word says whether a mark begins or ends a stretch, neither end is left out."""
    rows = [",".join(str(5000 + 9500 * k + at) for at in (0, 2000, 8000, 9000)) for k in range(40)]
    run = read(tmp_path, "\n".join(["t0_us,xq_alpha_us,xq_beta_us,xq_gamma_us", *rows]) + "\n")
    assert {name: times[0] for name, times in self_ms(run).items()} == {
        "t0 to xq_alpha": 2.0, "xq_alpha to xq_beta": 6.0, "xq_beta to xq_gamma": 1.0
    }  # fmt: skip


def test_every_third_loop_with_its_instants(tmp_path):
    """Loops of 7 ms whose number goes up by 3 a row: 7 ms a loop, and their stages are known."""
    rows = [(3 * k, 21_000 * k + k % 5, 21_000 * k + 2000 + k % 5) for k in range(60)]
    log = "loop,loop_start_us,gyro_end_us\n" + "".join(f"{n},{a},{b}\n" for n, a, b in rows)
    run = read(tmp_path, log)
    assert run.averaged
    assert "one loop in 3 is logged" in run.clock.limits
    assert run.loop_columns.period_ns.mean() == pytest.approx(7e6, rel=1e-3)
    assert set(self_ms(run)["gyro"]) == {2.0}


def test_instants_without_a_unit_behind_the_begin_of_the_loop(tmp_path):
    """They go on along the row and from row to row: instants, whatever they are called."""
    rows = [",".join(str(n) for n in (k, *(9500 * k + at for at in (5, 2005, 8005, 9005))))
            for k in range(60)]  # fmt: skip
    run = read(tmp_path, "\n".join(["iter,t_begin,t_sense,t_move,t_radio", *rows]) + "\n")
    assert set(periods_ms(run)) == {9.5}
    assert {name: times[0] for name, times in self_ms(run).items()} == {
        "t_sense": 2.0, "t_move": 6.0, "t_radio": 1.0
    }  # fmt: skip


@pytest.mark.parametrize(
    ("header", "said"),
    [
        ("loop_start_us,gyro_end_us,drive_end_us", False),
        ("drive_end_us,loop_start_us,gyro_end_us", True),
        ("gyro_end_us,drive_end_us,loop_start_us", True),
        ("last_loop_end_us,loop_start_us,gyro_end_us", False),
    ],
)
def test_the_start_of_a_loop_behind_the_end_of_a_part(tmp_path, header, said):
    """Headers moved by one column: nothing of a loop ends before it starts."""
    rows = "".join(f"{t},{t + 1500 + t % 7},{t + 3100 + t % 5}\n" for t in range(0, 400_000, 4001))
    notes = read(tmp_path, f"{header}\n{rows}").clock.notes
    assert bool([note for note in notes if "over the wrong columns" in note]) is said


def test_a_turn_rate_beside_instants_in_a_unit_said_of_all(tmp_path):
    """What falls below zero is neither an instant nor a length: the instants stay the loop's."""
    rng = np.random.default_rng(5)
    at = np.cumsum(rng.integers(24_900, 25_200, 400))
    rows = [f"{w:.2f},{t},{t + 1000 + w:.0f},{t + 14_000},{t + 16_500}\n"
            for t, w in zip(at, rng.normal(0, 9, 400), strict=True)]  # fmt: skip
    text = "# all in us since boot\nomega,t0,t1,t2,t3\n" + "".join(rows)
    run = read(tmp_path, text)
    assert run.layout == "stages"
    assert np.median(self_ms(run)["t1 to t2"]) == pytest.approx(13, rel=0.01)
