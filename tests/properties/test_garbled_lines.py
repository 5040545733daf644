"""One line of values that came garbled: no period of two loops is left among those of one."""

import numpy as np
import pytest

import looptime

PARTS = ("gyro.read", "drive.read", "odometry")


def _pairs(at, took):
    return f"[{at} us] " + " ".join(f"{p}={x}us" for p, x in zip(PARTS, took, strict=True))


def _keys(at, took):
    own = (f"{p.replace('.', '_')}_us={x}" for p, x in zip(PARTS, took, strict=True))
    return " ".join([f"t={at}", *own])


def _object(at, took):
    own = (f'"{p}_us": {x}' for p, x in zip(PARTS, took, strict=True))
    return "{" + ", ".join([f'"time_us": {at}', *own]) + "}"


def _sentence(at, took):
    return f"{at} us: " + ", ".join(f"{p} took {x} us" for p, x in zip(PARTS, took, strict=True))


def _cells(at, took):
    return ",".join(map(str, (at, *took)))


GARBLED = {
    "no mark": lambda s: s.replace("=", "", 1).replace(":", "", 1),
    "blanks for marks": lambda s: s.replace("=", " ", 2),
    "begin lost": lambda s: s[4:],
    "end lost": lambda s: s[:-9],
    "first half": lambda s: s[: len(s) // 2],
    "second half": lambda s: s[len(s) // 2 :],
    "a letter wrong": lambda s: s.replace("drive", "dr?ve", 1),
    "letters not read": lambda s: s.replace("r", "\ufffd"),
    "a digit wrong": lambda s: s[:3] + "x" + s[4:],
    "another digit wrong": lambda s: s[:-4] + "x" + s[-3:],
    "noise": lambda s: "\x00\x7f#" * 6,
    "other marks": lambda s: s.replace("=", ";"),
    "a unit wrong": lambda s: s.replace("us", "u", 1),
}  # fmt: skip


@pytest.mark.parametrize("modulus", [2**40, 100_000])
@pytest.mark.parametrize("write", [_pairs, _keys, _object, _sentence, _cells])
def test_one_garbled_line_leaves_no_period_of_two_loops(tmp_path, write, modulus):
    """Loops of 8 ms, whichever line is lost, or a caution; also under a counter that wraps."""
    rng = np.random.default_rng(4)
    time = np.cumsum(rng.integers(7900, 8100, 120)) + 5_000_000
    lines = [write(int(at) % modulus, rng.integers(900, 1800, 3)) for at in time]
    head = ["time_us,gyro_us,drive_us,odometry_us"] * (write is _cells)
    path = tmp_path / "log.txt"
    for what, garble in GARBLED.items():
        spoilt = [*lines[:60], garble(lines[60]), *lines[61:]]
        if spoilt[60] == lines[60]:
            continue
        path.write_text("\n".join([*head, *spoilt, ""]), encoding="utf-8")
        (run,) = looptime.read_log(path, cache=False).runs
        period = run.loop_columns.period_ns / 1e6
        whole = period.min() > 7 and period.max() < 9
        assert whole or run.clock.notes, what
        assert len(run) >= 115, what
