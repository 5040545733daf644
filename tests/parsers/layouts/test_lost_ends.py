"""Lines cut at one width, and complete ones that are equally long."""

import numpy as np
import pytest

from looptime.parsers.layouts.doubtful import cut_lines
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import read

ROWS = 400
RNG = np.random.default_rng(7)
LOOP = range(1000, 1000 + ROWS)
SWAY = RNG.normal(0, 1, ROWS)
#: In some loops the lift moves, in others it does not: four digits or five.
WORK = np.where(RNG.random(ROWS) < 0.5, RNG.integers(2000, 9000, ROWS),
                RNG.integers(11_000, 18_000, ROWS))  # fmt: skip
CALLS = [(loop, name) for loop in LOOP for name in ("gyro.read", "arm.send", "lift.write", "imu")]


def told(head, rows):
    return cut_lines(sniff("\n".join([head, *rows]) + "\n", "cart.csv"))


def test_lines_that_were_cut_at_a_width_are_told(tmp_path):
    """A window of 21 characters: the last cell has one digit less where the others have more."""
    whole = [f"{k * 20_000},{'' if k % 3 else 9}50,{1000 + 37 * k % 900}" for k in range(60, 300)]
    whole = [line + "0" * (k % 2) for k, line in enumerate(whole)]
    cut = "time_us,gyro_us,drive_us\n" + "".join(line[:15] + "\n" for line in whole)
    assert any("lines end at 15" in n for n in read(tmp_path, cut).clock.notes)
    sound = "time_us,gyro_us,drive_us\n" + "".join(line + "\n" for line in whole)
    assert not any("lines end" in n for n in read(tmp_path, sound).clock.notes)


@pytest.mark.parametrize(
    "cut",
    [
        [f"{20 * k},{w},{2 + s * s:.6f}"[:19] for k, w, s in zip(LOOP, WORK, SWAY, strict=True)],
        [f"{20 * k},{w},{40_000 + 9 * w // 20}"[:15] for k, w in zip(LOOP, WORK, strict=True)],
        [f"{20 * k},{w},{('carrying', 'lifting')[k % 2]}"[:16]
         for k, w in zip(LOOP, WORK, strict=True)],
        [f"{20 * k},{name},{RNG.integers(200_000, 900_000)}"[:20] for k, name in CALLS],
    ],
    ids=["decimals", "digits", "letters", "calls"],
)  # fmt: skip
def test_what_lost_its_end_is_told(cut):
    """Each line is printed whole and then cut: the last cell has what room is left."""
    assert told("t_ms,work_us,tray", cut)


def test_complete_lines_that_are_equally_long_are_not():
    """All cells as they were printed; what is longer in one is shorter in the other."""
    steady = RNG.integers(18_400, 18_600, ROWS)
    two_kinds = np.where(RNG.random(ROWS) < 0.7, steady, RNG.integers(9000, 9200, ROWS))
    sign = np.resize([1, -1], ROWS)
    took = RNG.integers(100, 9000, len(CALLS))
    named = [(k, name, us, 26 - len(name)) for (k, name), us in zip(CALLS, took, strict=True)]
    logs = {
        "signs": (SWAY, -SWAY, ".2f"),
        "whole signs": (WORK * sign, -WORK * sign, ""),
        "work and wait": (WORK, 20_000 - WORK, ""),
        "two kinds of work": (two_kinds, 20_000 - two_kinds, ""),
    }
    rows = {
        kind: [f"{20 * k},{a:{form}},{b:{form}}" for k, a, b in zip(LOOP, *both, strict=True)]
        for kind, (*both, form) in logs.items()
    }
    rows |= {
        "rate and period": [f"{20 * k},{1e6 / p:.1f},{p}"
                            for k, p in zip(LOOP, RNG.integers(9800, 10_200, ROWS), strict=True)],
        "zeros": [f"{20 * k},{name},{us:0{wide}}" for k, name, us, wide in named],
        "padded": [f"{20 * k},{name},{us:>{wide}}" for k, name, us, wide in named],
        "words": [f"{20 * k},{w},{'carry' if w > 9999 else 'idling'}"
                  for k, w in zip(LOOP, WORK, strict=True)],
    }  # fmt: skip
    for kind, lines in rows.items():
        assert len({len(line) for line in lines}) < 3, kind
        assert told("t_ms,first,last", lines) == (), kind
