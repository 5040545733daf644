"""Lines between the rows that say which phase begins."""

import numpy as np
import pytest

from tests.parsers.build import read

EACH, LENGTHS = 60, (40.0, 9.0, 15.0)


def log(marks, header="time_ms,imu_ms,wheels_ms", row="{t:.3f},{a:.3f},{b:.3f}", seed=3):
    """Three stretches of loops of a length each, a line before each of them."""
    draw, t, lines = np.random.default_rng(seed), 0.0, [header] if header else []
    for mark, length in zip(marks, LENGTHS, strict=True):
        lines += [mark] * (mark is not None)
        for _ in range(EACH):
            a, b = 1 + 0.1 * draw.random(), 3 + 0.3 * draw.random()
            lines.append(row.format(t=t, a=a, b=b))
            t += length + 0.05 * draw.random()
    return "\n".join(lines) + "\n"


MARKS = [
    (["--- DISABLED ---", "--- AUTO ---", "--- TELEOP ---"], ("DISABLED", "AUTO", "TELEOP")),
    (["=== Warten", "=== Anfahrt", "=== Umladen"], ("Warten", "Anfahrt", "Umladen")),
    (["# phase: rest", "# phase: bench 2", "# phase: rest"], ("rest", "bench 2")),
    ([None, "[  2.400] MODE -> auto", "state changed to: manual"], ("unmarked", "auto", "manual")),
    (["## mode = idle", "## mode = idle -> carry", "## mode = carry -> dock"],
     ("idle", "carry", "dock")),
    (["*** begin of docking ***", "*** end of docking ***", "*** begin of haul ***"],
     ("docking", "unmarked", "haul")),
    (["// modus: warten", "// modus: fahren", "// modus: laden"], ("warten", "fahren", "laden")),
]  # fmt: skip
KINDS = {
    "table": {},
    "bare numbers": {"header": "", "row": "{t:.3f}"},
    "blanks": {"header": "time_ms imu_ms wheels_ms", "row": "{t:.3f} {a:.3f} {b:.3f}"},
    "words and values": {"header": "", "row": "t_ms={t:.3f} imu_ms={a:.3f} wheels_ms={b:.3f}"},
    "objects": {"header": "", "row": '{{"t_ms": {t:.3f}, "imu_ms": {a:.3f}}}'},
}


@pytest.mark.parametrize(("marks", "names"), MARKS)
@pytest.mark.parametrize("kind", KINDS)
def test_lines_between_rows_name_phases(tmp_path, marks, names, kind):
    """Every row has the phase of the last mark above it, and no mark is a row."""
    run = read(tmp_path, log(marks, **KINDS[kind]))
    assert run.loop_columns.phase_names == names
    said = [names[code] for code in run.loop_columns.phase]
    own = [name if mark else "unmarked" for name, mark in zip(names, marks, strict=False)]
    assert said[0] == own[0]
    assert said[EACH + 5] == names[1]
    assert said[-1] == (names[2] if len(names) > 2 else names[0])
    assert set(run.set_aside.counts) <= {"unfinished last loop"}
    period = run.loop_columns.period_ns / 1e6
    middle = np.array(said) == names[1]
    assert np.median(period[middle]) == pytest.approx(LENGTHS[1], rel=0.01)


def test_rows_of_calls_between_marks(tmp_path):
    """A loop of calls has the phase of its rows."""
    lines, t = ["name,start_us,duration_us"], 0
    for mark, wheels in (("auto", 2000), ("driver", 5000)):
        lines.append(f"[phase] {mark}")
        for _ in range(40):
            for name, took in (("imu", 800), ("wheels", wheels)):
                lines.append(f"{name},{t},{took}")
                t += took + 50
    run = read(tmp_path, "\n".join(lines) + "\n")
    assert run.loop_columns.phase_names == ("auto", "driver")
    assert np.bincount(run.loop_columns.phase).tolist() == [40, 39]


@pytest.mark.parametrize(
    "marks",
    [
        [None, "*** BROWNOUT ***", "*** RADIO LOST ***"],  # something that happened
        ["=== RUN 1 ===", "=== RUN 2 ===", "=== RUN 3 ==="],  # alike but for a number
        ["# budget_ms: 20", None, "# note: tray 3 was heavy"],
        ["--- AUTO ---", None, None],  # one for all
    ],
)
def test_other_lines_between_rows_name_no_phases(tmp_path, marks):
    """What happened, numbered runs, remarks, and a title of the whole are no phases."""
    assert read(tmp_path, log(marks)).loop_columns.phase_names == ()


def test_a_column_of_phases_goes_before_marks(tmp_path):
    """Where a column says the phase, lines between the rows do not."""
    marks = ["--- ONE ---", "--- TWO ---", "--- THREE ---"]
    text = log(marks, "time_ms,mode,imu_ms", "{t:.3f},hold,{a:.3f}")
    assert read(tmp_path, text).loop_columns.phase_names == ("hold",)
