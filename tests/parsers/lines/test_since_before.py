"""Lines with the time since the line before."""

from time import perf_counter

import numpy as np
import pytest

from looptime.parsers.lines.since_before import since_before
from tests.parsers.build import periods_ms, read, self_ms, unattributed_ms

#: What each line of a loop of 7 ms says, and how long after the line before it stands.
STEPS = (("top", 0.02), ("imu", 1.08), ("wheels", 3.1), ("radio", 2.8))


def lines(form, done=""):
    """60 loops."""
    return [form.format(d=ms, n=name + (done if name != "top" else ""))
            for _ in range(60) for name, ms in STEPS]  # fmt: skip


@pytest.mark.parametrize(
    ("title", "form", "done"),
    [("each line: ms since the line before", "+{d:.3f} {n}", " done"),
     ("each line: ms since the line before", "{d:.3f} {n}", ""),
     ("# delta in ms", "+{d:.3f}\t{n}", " finished"), ("", "[+{d:.3f}ms] {n}", " done"),
     ("# ms since the previous entry", "{n}: +{d:.3f}", " done"),
     ("jede Zeile: ms seit der vorigen", "+{d:.3f} {n}", " fertig"),
     ("elapsed since the line before, ms", "{d:.3f} {n}", ""),
     ("# run of the 3rd, in us\n# s since the line before: 1 us is 0.001 ms", "{d:.3f} ms {n}", ""),
     ("# all in us but for ms since the line before", "+{d:.3f} {n}", " done")],
)  # fmt: skip
def test_what_is_done_took_the_time_since_the_line_before(tmp_path, title, form, done):
    """The lines of a loop add up to it."""
    run = read(tmp_path, "\n".join([title, *lines(form, done)]).lstrip("\n"))
    assert set(periods_ms(run)) == {7.0}
    assert {name: round(sum(ms) / len(ms), 6) for name, ms in self_ms(run).items()} == dict(STEPS)


def test_what_begins_takes_the_time_up_to_the_next_line(tmp_path):
    """A line that says that something begins says nothing of how long that takes."""
    text = [f"+{ms} {name} begins" for _ in range(60) for name, ms in STEPS]
    took = self_ms(read(tmp_path, "\n".join(["# ms since the line before", *text])))
    took = {name: round(sum(ms) / len(ms), 6) for name, ms in took.items()}
    assert took == {"top": 1.08, "imu": 3.1, "wheels": 2.8, "radio": 0.02}


def test_what_passed_before_something_begins_is_of_nothing(tmp_path):
    """A pause of 0.5 ms goes before the arm, which then takes 3; a text may be one word alone."""
    text = ["+0.2 start", "+1.5 imu done", "+0.5 arm begins", "+3 arm_is_out", "+1 radio done"]
    run = read(tmp_path, "\n".join(["# ms since the line before", *(60 * text)]))
    took = {name: np.median(ms) for name, ms in self_ms(run).items()}
    assert took == {"start": 0.2, "imu": 1.5, "arm begins": 0, "arm_is_out": 3, "radio": 1}
    assert np.median(unattributed_ms(run)) == pytest.approx(0.5)


@pytest.mark.parametrize("others", [0, 30])
def test_a_few_lines_or_many_others_tell_nothing(others):
    """Eleven lines that say so are too few, and so are 60 among 30 of another kind."""
    text = ["# ms since the line before", *(["+1 top", "+2.5 imu", "+2 arm"] * 20)]
    assert since_before(text, lambda: text) is not None
    text = [*text, *others * ["the tray is full"]] if others else text[:12]
    assert since_before(text, lambda: text) is None


def test_times_that_rise_are_those_of_a_clock(tmp_path):
    """A plus before the time since the start makes no difference of it."""
    text = [f"+{7 * k + at} {name}" for k in range(60)
            for name, at in (("begin loop", 0), ("end loop", 6))]  # fmt: skip
    assert set(periods_ms(read(tmp_path, "\n".join(["# times in ms", *text])))) == {7.0}


def test_a_plus_alone_is_the_sign_of_a_reading():
    """Readings that are never below zero are no times."""
    text = [f"{name} +{value + k % 3}" for k in range(60)
            for name, value in (("pitch", 3), ("roll", 1), ("yaw", 7))]  # fmt: skip
    assert since_before(text, lambda: text) is None


@pytest.mark.parametrize(
    ("title", "form"),
    [("# ms since the last loop start", "{t:.2f} {n} done"),
     ("# ms since the last loop", "{t} {n}"),
     ("# arm of the delta robot", "{t:.2f} ms {n} done"), ("", "+{t:.2f}ms {n} done"),
     ("# ms seit dem letzten Schleifenanfang", "{t:.2f} {n} fertig")],
)  # fmt: skip
def test_times_that_begin_anew_in_each_loop_are_not_added_up(title, form):
    """The last is the loop's length; the sum of all would be about twice that."""
    text = [title, *(form.format(t=t + k % 3 / 10, n=n) for k in range(60)
                     for n, t in (("imu", 2.3), ("wheels", 5.6), ("radio", 9.1)))]  # fmt: skip
    assert since_before(text, lambda: text) is None


@pytest.mark.parametrize(
    "line", ["a" + 900 * "-", "-" * 900 + "x", "a 1" + 900 * " " + "b", 900 * " " + "a",
             "1" + 900 * " " + "2", 450 * "- " + "a"],
)  # fmt: skip
def test_lines_of_nothing_but_marks_or_blanks(line):
    """Two hundred are looked through at once."""
    begun = perf_counter()
    assert since_before([line] * 200, lambda: [line] * 200) is None
    assert perf_counter() - begun < 1
