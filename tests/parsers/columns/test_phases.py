"""The column that names phases, told by its words and by the pace in each."""

import numpy as np
import pytest

from looptime.parsers.columns_taken import columns_taken
from tests.parsers.build import read

LONG, EACH = (40.0, 8.0, 13.0), 120


def log(header, words, lengths=LONG, seed=4):
    """Three stretches of loops whose parts leave 1 ms of the loop, or what it sleeps in the first.

    The last part takes 0.1 ms at first and the rest of the loop in the last stretch.
    """
    draw = np.random.default_rng(seed)
    t, rows = 5.0, []
    for at, length in enumerate(lengths):
        for _ in range(EACH):
            imu, wheels = 1 + 0.2 * draw.random(), 3 + 0.6 * draw.random()
            lamp = (0.1 if at < 2 else 6) + 0.05 * draw.random()
            rows.append(f"{t:.3f},{words[at]},{imu:.3f},{wheels:.3f},{lamp:.3f}")
            t += imu + wheels + lamp + (length - 6.0 if at == 0 else 1.0) + 0.1 * draw.random()
    return "\n".join([header, *rows]) + "\n"


@pytest.mark.parametrize("header", ["stage", "what", "Abschnitt", "match_mode"])
def test_few_words_over_long_stretches_name_phases(tmp_path, header):
    """The header names phases, or each word has its own pace; the parts are found beside them."""
    run = read(tmp_path, log(f"ms,{header},imu,wheels,lamp", ["rest", "alone", "driven"]))
    assert run.loop_columns.phase_names == ("rest", "alone", "driven")
    assert np.bincount(run.loop_columns.phase).tolist() == [EACH, EACH, EACH - 1]
    assert [name.name for name in run.names] == ["imu", "wheels", "lamp"]


@pytest.mark.parametrize(
    ("header", "words", "lengths"),
    [
        ("note", ["a", "b", "c"], (13.0, 13.0, 13.0)),  # no pace of its own
        ("note", ["a", "a", "a"], LONG),  # one word
    ],
)
def test_words_that_part_nothing_are_no_phases(tmp_path, header, words, lengths):
    """A word that says nothing of the pace, under a header that names no phase, is left alone."""
    draw = np.random.default_rng(6)
    t, rows = 0.0, []
    for at, length in enumerate(lengths):
        for _ in range(EACH):
            rows.append(f"{t:.3f},{words[at]}")
            t += length + 0.2 * draw.random()
    run = read(tmp_path, "\n".join([f"time_ms,{header}", *rows]) + "\n")
    assert run.loop_columns.phase_names == ()


def test_words_that_change_from_row_to_row_are_no_phases(tmp_path):
    """A gripper that opens and shuts every few loops is no phase, whatever its pace."""
    t, rows = 0.0, []
    for k in range(360):
        rows.append(f"{t:.3f},{'open' if k % 5 > 1 else 'shut'}")
        t += 20 if k % 5 > 1 else 9
    run = read(tmp_path, "\n".join(["time_ms,mode_of_gripper", *rows]) + "\n")
    assert run.loop_columns.phase_names == ()


@pytest.mark.parametrize("words", [["0.00", "3.00", "1.00"], ["0", "3", "1"]])
def test_states_written_with_decimals_are_whole_numbers(tmp_path, words):
    """A state that an export writes as 0.00 is called 0."""
    run = read(tmp_path, log("ms,state,imu,wheels,lamp", words))
    assert run.loop_columns.phase_names == ("0", "3", "1")


@pytest.mark.parametrize("side", ["start", "end"])
@pytest.mark.parametrize(
    ("header", "cells"),
    [("t_ms,mode", "{t:.3f},{word}"), ("t_ms,state,loop_ms", "{t:.3f},{word},{length:.3f}"),
     ("Zeit_ms,zustand,sense_ms,act_ms", "{t:.3f},{word},2.1,3.2"), ("t_ms", "{t:.3f}")],
)  # fmt: skip
def test_no_loop_goes_to_the_phase_beside_its_own(tmp_path, side, header, cells):
    """Loops of 100 ms and of 20 ms in turn: each phase holds those of its own length alone."""
    draw = np.random.default_rng(7)
    t, rows, last = 5.0, [header], ""
    for k in range(360):
        word = ("waiting", "driving")[k // 60 % 2]
        length = (100, 20)[k // 60 % 2] + draw.normal(0, 0.3)
        if header == "t_ms" and word != last:
            rows.append(f"# mode: {word}")
        last = word
        t += length if side == "end" else 0
        rows.append(cells.format(t=t, word=word, length=length))
        t += length if side == "start" else 0
    at = read(tmp_path, "\n".join(rows) + "\n").loop_columns
    period = at.period_ns / 1e6
    for code, name in enumerate(at.phase_names):
        expected = {"waiting": 100, "driving": 20}[name]
        assert period[at.phase == code] == pytest.approx(expected, abs=2)


def test_a_header_that_says_end_is_believed_where_nothing_tells(tmp_path):
    """A paced loop without phases: the first row begins no loop that is known."""
    rows = [f"{20 * k},{3 + k % 2}" for k in range(1, 60)]
    run = read(tmp_path, "\n".join(["end_ms,imu_ms", *rows]) + "\n")
    assert any("stamped at the end" in note for note in run.clock.notes)
    assert len(run) == 58


def _greenhouse(stretches, each=1100, header="t_ms,doing,arm_ms,base_ms", seed=9, gone=0.0):
    """Loops of 11 ms: in every stretch arm and base take what it says [ms], give or take 4 %.

    Both take longer by a share `gone` of it from the first loop to the last.
    """
    draw = np.random.default_rng(seed)
    t, rows, count = 3.0, [header], each * len(stretches)
    for k in range(count):
        word, *took = stretches[k // each]
        took = np.array(took) * draw.normal(1, 0.04, 2) * (1 + gone * k / count)
        rows.append(f"{t:.3f},{word},{took[0]:.3f},{took[1]:.3f}")
        t += took.sum() + 0.2
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize("words", [("laden", "fahren"), ("nostaa", "ajaa"), ("A1", "B1")])
def test_phases_begin_anywhere_and_may_have_one_pace(tmp_path, words):
    """The arm works in the one, the base in the other, first changed after 2,200 loops."""
    one, other = (words[0], 6.0, 5.0), (words[1], 1.0, 10.0)
    run = read(tmp_path, _greenhouse([one, one, other, one]))
    assert run.loop_columns.phase_names == words
    assert np.bincount(run.loop_columns.phase).tolist() == [3299, 1100]
    doing = columns_taken(tmp_path / "log.csv").columns[1]
    assert (doing.taken_as, doing.sure) == ("phase", "likely")


@pytest.mark.parametrize("gone", [0.0, 0.6])
@pytest.mark.parametrize("header", ["t_ms,doing,arm_ms,base_ms", "t_ms,who,arm_ms,count"])
def test_words_with_which_nothing_changes_are_a_doubt(tmp_path, gone, header):
    """Nor do they where all calls take longer and longer, or a number goes on from row to row."""
    text = _greenhouse([("anna", 6.0, 5.0), ("bert", 6.0, 5.0)], each=700, header=header, gone=gone)
    if header.endswith("count"):
        rows = [line.rsplit(",", 1)[0] for line in text.splitlines()]
        text = "\n".join([header, *(f"{row},{k}" for k, row in enumerate(rows[1:]))]) + "\n"
    assert read(tmp_path, text).loop_columns.phase_names == ()
    who = columns_taken(tmp_path / "log.csv").columns[1]
    assert (who.taken_as, who.sure) == ("not used", "unsure")
    assert "--by" in who.why
