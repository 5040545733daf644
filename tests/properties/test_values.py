"""Lines of values: whatever their words, order and units are, and whatever happens to them."""

import json
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import looptime
from tests.properties.test_damage import damage, damaged, outcome

UNITS = {"us": 1, "ms": 1000, "s": 1_000_000}
NAMES = ("imu", "drive", "lift arm", "camera.read", "gyro_left")
TIMES = ("t", "time", "timestamp", "millis", "uptime")


@st.composite
def loops(draw):
    """Starts and the lengths of two parts [us], in whole ms, of 24 to 40 loops."""
    count = draw(st.integers(24, 40))
    lengths = st.lists(st.integers(2, 9), min_size=count, max_size=count)
    a, b, rest = draw(lengths), draw(lengths), draw(lengths)
    start, at = [], 7
    for k in range(count):
        start.append(1000 * at)
        at += a[k] + b[k] + rest[k]
    return start, [1000 * x for x in a], [1000 * x for x in b]


def number(us, unit):
    """A time in a unit, with every digit."""
    return f"{us / UNITS[unit]:.6f}".rstrip("0").rstrip(".")


@st.composite
def written(draw):
    """Loops, the names of their parts, and a log of them in one way of many."""
    start, a, b = draw(loops())
    names = draw(st.permutations(NAMES))[:2]
    unit, clock = draw(st.sampled_from(sorted(UNITS))), draw(st.sampled_from(TIMES))
    way = draw(st.sampled_from(["pairs", "glued", "sentence", "object", "long", "events"]))
    before = draw(st.sampled_from(["", "[INFO] ", "carrier: "]))
    swap = draw(st.booleans())
    rows = []
    for t, one, two in zip(start, a, b, strict=True):
        parts = [(names[0], number(one, unit)), (names[1], number(two, unit))]
        shown = parts[::-1] if swap else parts
        if way == "pairs":
            rows.append(f"{before}{clock}={t / 1000:g}ms " +
                        ", ".join(f"{n}={v} {unit}" for n, v in shown))  # fmt: skip
        elif way == "glued":
            rows.append(f"{before}{clock}: {t / 1000:g} ms; " +
                        "; ".join(f"{n}: {v}{unit}" for n, v in shown))  # fmt: skip
        elif way == "sentence":
            rows.append(f"{before}{t / 1000:g} ms: " +
                        ", ".join(f"{n} took {v} {unit}" for n, v in shown))  # fmt: skip
        elif way == "object":
            own = {f"{clock}_ms": t / 1000} | {f"{n}_{unit}": float(v) for n, v in shown}
            rows.append(json.dumps(own))
        elif way == "long":
            rows.append(f"{t / 1000:g},loop number,{len(rows)}")
            rows += [f"{t / 1000:g},{n} [{unit}],{v}" for n, v in shown]
        else:
            rows += [f"{before}{t / 1000:g} ms: loop start",
                     f"{before}{(t + one) / 1000:g} ms: {names[0]} done",
                     f"{before}{(t + one + two) / 1000:g} ms: {names[1]} done"]  # fmt: skip
    head = "time_ms,key,value\n" if way == "long" else ""
    return (start, a, b), names, head + "\n".join(rows) + "\n"


def test_one_log_in_many_words(tmp_path):
    """Names, their order, units, marks and what stands before a line change no figure."""
    path = tmp_path / "log.txt"

    @settings(max_examples=150)
    @given(written())
    def holds(log):
        (start, a, b), names, text = log
        path.write_text(text, encoding="utf-8")
        (run,) = outcome(path).runs
        known = len(start) - 1
        periods = [1000 * (y - x) for x, y in pairwise(start)]
        assert run.loop_columns.period_ns.tolist()[:known] == periods
        calls = run.call_columns
        for name, lengths in zip(names, (a, b), strict=True):
            code = next(k for k, one in enumerate(run.names) if one.name.startswith(name))
            mine = (calls.name == code) & (calls.loop < known)
            assert calls.duration_ns[mine].tolist() == [1000 * us for us in lengths[:known]]

    holds()


def test_damaged_lines_of_values(tmp_path):
    """Cut, swapped, doubled, dropped, glued and garbled lines: the books balance or it is said."""
    path = tmp_path / "log.txt"

    @settings(max_examples=200)
    @given(written(), damage)
    def holds(log, blows):
        path.write_bytes(damaged(log[2].encode(), blows))
        outcome(path)

    holds()


@pytest.mark.parametrize("by", ["robot", "column_1"])
def test_groups_of_damaged_logs(tmp_path, by):
    """Reading by group keeps the books as well."""
    path = tmp_path / "log.csv"
    rows = "".join(f"{who},{20 * k + at},{k % 7}\n" for k in range(30) for who, at in
                   (("a", 0), ("b", 7)))  # fmt: skip

    @settings(max_examples=60)
    @given(damage)
    def holds(blows):
        path.write_bytes(damaged(("robot,t_ms,yaw\n" + rows).encode(), blows))
        outcome(path, by=by)

    holds()


def test_whole_and_by_group_read_the_same_rows(tmp_path):
    """The groups' rows add up to those of the log."""
    path = tmp_path / "log.csv"
    rows = "".join(f"{who},{20 * k},{k % 7}\n" for k in range(30) for who in "ab")
    path.write_text("robot,t_ms,yaw\n" + rows)
    assert looptime.read_log(path, by="robot", cache=False).rows_read == 60
