"""Letters with a number glued to each, and lines that say what one of its counts lasts."""

import numpy as np
import pytest

from looptime.parsers.lines.glued import glued, unglued
from tests.parsers.build import periods_ms, read, self_ms


def lines(form, count_us, wrap=1 << 16, rows=1500):
    """Loops of 7.5 ms, 15.5 ms where one of the parts is longer, in counts that wrap."""
    rng, at, made = np.random.default_rng(2), 0, []
    for k in range(rows):
        long = 80 if k % 50 == 7 else 0
        one, other = 30 + int(rng.integers(0, 3)), 40 + int(rng.integers(0, 3))
        t, s, m = (int(value * 100 / count_us) for value in (at % 10**9, one + long, other))
        made.append(form.format(t=t % wrap, s=s, m=m))
        at += one + other + long + 3
    return "\n".join(made) + "\n"


@pytest.mark.parametrize(
    ("head", "form", "count_us"),
    [
        ("# T = 0.1 ms, 16 bit", "T{t:05d} S{s} M{m}", 100),
        ("# ticks of 4 us", "t{t},sense{s},move{m}", 4),
        ("# T counts 100 us", "T={t} S={s} M={m}", 100),
        ("# T in 0.1 ms\nT,S,M", "{t},{s},{m}", 100),
    ],
)
def test_counts_are_as_long_as_a_line_says(tmp_path, head, form, count_us):
    """16 bits that wrap every few seconds, in counts of 0.1 ms or 4 us."""
    run = read(tmp_path, f"{head}\n{lines(form, count_us)}", "log.txt")
    periods = periods_ms(run)
    assert np.median(periods) == pytest.approx(7.5, abs=0.1)
    assert np.max(periods) == pytest.approx(15.5, abs=0.3)
    parts = sorted(float(np.median(own)) for name, own in self_ms(run).items() if name)
    assert parts[:2] == pytest.approx([3.1, 4.1], abs=0.11)


def test_a_period_that_a_line_states_is_no_count(tmp_path):
    """A column called T in microseconds stays so beside a line that says T = 20 ms."""
    rows = "".join(f"T{20_000 * k + k % 3} S{9000 + k % 40} M{800 + k % 11}\n" for k in range(300))
    run = read(tmp_path, f"# T = 20 ms\n{rows}", "log.txt", unit="us")
    assert np.median(periods_ms(run)) == pytest.approx(20, abs=0.01)


def test_names_that_end_in_a_digit_are_no_numbers():
    """Lines of words with one number each are not taken apart at their digits."""
    assert glued([f"{20 * k + 3 * at} imu1 arm2" for k in range(40) for at in (0, 1)]) is None
    assert glued([f"m1 m2 m{k}" for k in range(9)]) is None
    assert glued([f"imu1 arm2 t{k}" for k in range(9)]) is None


@pytest.mark.parametrize(
    ("rows", "taken"), [(4, True), (3, False), (9, True)], ids=["four", "three", "nine"]
)
def test_four_lines_that_are_alike_will_do(rows, taken):
    """A time and a length of each, in their own columns."""
    made = glued([f"T{20 * k} S{3 + k % 2}" for k in range(rows)])
    assert (made is not None) == taken
    assert made is None or [row[0] for row in made.rows] == [f"{20 * k}" for k in range(rows)]


@pytest.mark.parametrize(
    "line",
    ["T{k}", "T{k} T{k}", "T{k} S{k} {k}", "T{k} S{k}\nT{k} wet {k}"],
    ids=["one key", "a key twice", "a bare number", "half of another kind"],
)
def test_what_is_no_table_of_letters_with_numbers(line):
    """A time alone, two of one name, a number that no letter names, or prose between."""
    assert glued("\n".join(line.format(k=k) for k in range(20)).split("\n")) is None


def test_a_line_that_is_cut_is_no_row():
    """Of twenty lines one lacks its end: it is text, and the others are rows."""
    lines = [f"T{20 * k} S{3 + k % 2}" for k in range(20)]
    made = glued([*lines[:7], "T140 ", *lines[8:]])
    assert [row is None for row in made.rows] == [k == 7 for k in range(20)]


STAMPED = {
    "a letter": "T{t} gyro:{a} wheels:{b} tray:{c}",
    "its unit behind it": "t{t}ms gyro={a} wheels={b} tray={c}",
    "a number before it": "#{k} T{t} gyro:{a} wheels:{b} tray:{c}",
    "two letters": "L{k} T{t} | gyro: {a} | wheels: {b} | tray: {c}",
    "a name with a digit": "cart7 T{t}, gyro:{a}, wheels:{b}, tray:{c}",
    "brackets": "[T{t}] gyro {a} ms, wheels {b} ms, tray {c} ms",
    "an at": "@{t} gyro {a} wheels {b} tray {c}",
    "a line each": "T{t} gyro:{a}\nT{t2} wheels:{b}\nT{t3} tray:{c}",
}


@pytest.mark.parametrize("form", STAMPED.values(), ids=STAMPED)
def test_a_stamp_glued_to_a_letter_before_pairs(tmp_path, form):
    """16 bits of ms that wrap: loops as long as 3, 8 and 2 ms of parts, and 5 more."""
    rng, at, made, told = np.random.default_rng(3), 61_000, [], []
    for k in range(900):
        a, b, c = (int(ms) for ms in rng.integers((2, 7, 1), (5, 10, 4)))
        stamps = (at % 65536, (at + a) % 65536, (at + a + b) % 65536)
        made.append(form.format(k=k, t=stamps[0], t2=stamps[1], t3=stamps[2], a=a, b=b, c=c))
        told.append(a + b + c + 5)
        at += told[-1]
    run = read(tmp_path, "\n".join(made) + "\n", "log.txt", unit="ms")
    assert periods_ms(run) == told[: len(run)]
    assert len(run) >= 898
    means = {name: float(np.mean(ms)) for name, ms in self_ms(run).items()}
    assert means == pytest.approx({"gyro": 3, "wheels": 8, "tray": 2}, abs=0.2)


def test_only_numbers_that_go_on_are_set_off():
    """Names of wheels take turns, a tray's number stays, a version stands once."""
    log = [f"m{1 + k % 4} tray7 t={20 * k} drive:3" for k in range(40)]
    assert unglued(log) is log
    assert unglued(["fw2 up", *log])[0] == "fw2 up"
