"""Lines of several threads among each other: the loop's are read, the others said."""

import numpy as np
import pytest

import looptime
from looptime.analysers.basis import prepare
from looptime.analysers.contention import contention
from looptime.parsers.lines.events import read_events
from looptime.parsers.lines.shapes import Shapes
from looptime.parsers.lines.tags import cross, tags_of
from looptime.views.text.summary_text import render_summary
from tests.parsers.build import read, self_ms
from tests.views.text.build import text_of


def lines(tag, begins=True):
    """Loops of 20 ms with a gyro of 3 ms, and a thread that polls each 8.1 ms for 5 ms."""
    found = []
    for k in range(60):
        at = 1000 + 20 * k
        found += (
            [(at, "main", "loop begin"), (at + 1, "main", "gyro begin"),
             (at + 4, "main", "gyro end"), (at + 12, "main", "loop end")]
            if begins else [(at, "main", f"loop {k} start"), (at + 4, "main", "gyro read 3.00 ms"),
                            (at + 9, "main", "drive write 4.00 ms")]
        )  # fmt: skip
    for k in range(140):
        at = 1000 + 8.1 * k
        found += (
            [(at, "imu", "poll begin"), (at + 5, "imu", "poll end")]
            if begins else [(at + 5, "imu", "poll took 5.00 ms")]
        )  # fmt: skip
    return [f"{at:.2f} {tag.format(name)} {text}" for at, name, text in sorted(found)]


@pytest.mark.parametrize("tag", ["[{}]", "INFO {} -", "{}:", "<{}> |"])
def test_threads_whose_calls_begin_and_end_are_read_together(tmp_path, tag):
    """Another thread's calls of 5 ms cross the loop's and take nothing of it."""
    path = tmp_path / "log.txt"
    path.write_text("\n".join(lines(tag)) + "\n", encoding="utf-8")
    (run,) = looptime.read_log(path).runs
    assert run.thread_names[run.loop_thread] == "main"
    assert abs(run.loop_columns.period_ns.mean() / 1e6 - 20) < 0.01
    assert lengths_ms(run) == {
        ("main", "gyro"): pytest.approx(3),
        ("imu", "poll"): pytest.approx(5),
    }


def test_signs_behind_a_tag_say_that_a_call_begins_and_ends(tmp_path):
    """[main] +gyro is its begin and [main] -gyro its end; no dash is a rule between words."""
    text = "\n".join(lines("[{}]")).replace("gyro begin", "+gyro").replace("gyro end", "-gyro")
    for name in ("loop", "poll"):
        text = text.replace(f"{name} begin", f"+{name}").replace(f"{name} end", f"-{name}")
    path = tmp_path / "log.txt"
    path.write_text(text + "\n", encoding="utf-8")
    (run,) = looptime.read_log(path).runs
    assert lengths_ms(run) == {
        ("main", "gyro"): pytest.approx(3),
        ("imu", "poll"): pytest.approx(5),
    }


def lengths_ms(run):
    """The mean length of each call by its thread [ms]."""
    calls, names = run.call_columns, [name.name for name in run.names]
    return {
        (run.thread_names[thread], names[code]): calls.duration_ns[
            (calls.thread == thread) & (calls.name == code)].mean() / 1e6
        for thread, code in set(zip(calls.thread.tolist(), calls.name.tolist(), strict=True))
    }  # fmt: skip


@pytest.mark.parametrize("tag", ["[{}]", "INFO {} -", "{}:", "<{}> |"])
def test_the_loops_thread_is_read_alone(tmp_path, tag):
    """Lengths of another thread take nothing of the loop and are set aside."""
    path = tmp_path / "log.txt"
    path.write_text("\n".join(lines(tag, begins=False)) + "\n", encoding="utf-8")
    log = looptime.read_log(path)
    (run,) = log.runs
    assert {name.name for name in run.names} <= {"gyro read", "drive write"}
    assert log.rows_by_reason["other thread"] == 140
    assert abs(run.loop_columns.period_ns.mean() / 1e6 - 20) < 0.01
    pieces = run.self_pieces()
    code = next(at for at, name in enumerate(run.names) if name.name.startswith("gyro"))
    assert abs(pieces.self_ns[pieces.name == code].sum() / len(run) / 1e6 - 3) < 0.05
    assert any("other threads (imu)" in note for note in run.clock.notes)


def test_tags_of_one_thread_stay_in_the_loop(tmp_path):
    """Subsystems that log under their own names nest within each other: nothing is set aside."""
    rows = []
    for k in range(40):
        at = 20 * k
        rows += [f"{at} [robot] loop begin", f"{at + 1} [arm] read begin"]
        rows += [f"{at + 4} [arm] read end", f"{at + 9} [robot] loop end"]
    assert not cross(read_events(rows), tags_of(rows))
    path = tmp_path / "log.txt"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    log = looptime.read_log(path, unit="ms")
    assert "other thread" not in log.rows_by_reason
    assert any("arm" in name.name for name in log.runs[0].names)


@pytest.mark.parametrize("said", ["loop took {} us", "cycle {} us", "frame time {} us"])
@pytest.mark.parametrize("names", [("main", "odometry"), ("control", "vision")])
def test_of_two_loops_of_a_pace_each_one_is_read(tmp_path, names, said):
    """Both speak of a loop: the rows of the faster one are no loops of the one called so."""
    path = tmp_path / "log.txt"
    found = [(20 * k + 0.1 * (k % 5), names[0], 4000 + k % 7 * 20) for k in range(200)]
    found += [(8.3 * k + 3, names[1], 1500 + k % 3 * 10) for k in range(480)]
    text = [f"{at / 1e3:.6f} [{name}] {said.format(us)}" for at, name, us in sorted(found)]
    path.write_text("\n".join(text) + "\n", encoding="utf-8")
    log = looptime.read_log(path)
    (run,) = log.runs
    assert log.rows_by_reason["other thread"] == 480
    assert np.median(run.loop_columns.period_ns) / 1e6 == pytest.approx(20, abs=0.5)
    shown = text_of(render_summary(log, [looptime.summarise(run)]))
    assert "set aside" not in shown.splitlines()[0]
    assert "one loop of several in this log: 71 % of its rows are of others" in " ".join(
        shown.split()
    )


@pytest.mark.parametrize("ahead", ["I/{}: t={:.0f}us", "[{}] {:.0f} us", "<{}> {:.0f}us -"])
def test_tags_before_the_stamp(tmp_path, ahead):
    """The same lines with the thread's name first; 3 ms of the gyro and 5 of each poll."""
    found = (line.split(" ", 2) for line in lines("{}"))
    text = "".join(f"{ahead.format(tag, 1e3 * float(at))} {said}\n" for at, tag, said in found)
    path = tmp_path / "log.txt"
    path.write_text(text, encoding="utf-8")
    (run,) = looptime.read_log(path).runs
    assert lengths_ms(run) == {
        ("main", "gyro"): pytest.approx(3),
        ("imu", "poll"): pytest.approx(5),
    }


def took(calls, ends):
    """Lines of calls (start, tag, name, length) [ms], in the order of their stamps [s]."""
    stamped = sorted((at + ends * length, tag, name, length) for at, tag, name, length in calls)
    return "".join(f"[{at / 1e3:.6f}] [{tag}] {name} took {length:.3f} ms\n"
                   for at, tag, name, length in stamped)  # fmt: skip


@pytest.mark.parametrize("ends", [False, True])
def test_tagged_lengths_of_two_threads_are_calls_of_each(tmp_path, ends):
    """A camera's thread that runs across the loop's calls adds nothing to the loop."""
    calls = [(10.0 * k + at, "main", name, length) for k in range(200)
             for at, name, length in ((0, "imu", 3.0), (3.1, "drive", 4.0))]  # fmt: skip
    calls += [(17.3 * k + 1.1, "vision", "grab", 6.0) for k in range(110)]
    run = read(tmp_path, took(calls, ends), name="log.log")
    assert set(run.thread_names) == {"main", "vision"}
    found = self_ms(run)
    assert set(np.round(found["imu"], 6)) == {3.0}
    assert "grab" not in found or not np.any(found["grab"])


@pytest.mark.parametrize("ends", [False, True])
def test_tagged_lengths_of_one_thread_stay_values(tmp_path, ends):
    """Tags of parts of one loop, whose calls lie side by side, are no threads."""
    calls = [(10.0 * k + at, tag, f"{tag}.step", length) for k in range(200)
             for at, tag, length in ((0, "imu", 4.0), (4.1, "drive", 2.0))]  # fmt: skip
    run = read(tmp_path, took(calls, ends), name="log.log")
    assert len(run.thread_names) == 1


@pytest.mark.parametrize("ends", [False, True])
def test_tagged_lengths_within_each_other_are_of_one_thread(tmp_path, ends):
    """A call that holds two others of other tags, stamped to the ms, cuts across none of them."""
    calls = []
    for k in range(200):
        imu, arm = 3 + k % 3, 3 + k // 3 % 3
        calls += [(20 * k, "robot", "update", imu + arm + 2), (20 * k + 1, "imu", "read", imu),
                  (20 * k + 1 + imu, "arm", "read", arm)]  # fmt: skip
    run = read(tmp_path, took(calls, ends).replace("000]", "]"), name="log.log")
    assert len(run.thread_names) == 1


@pytest.mark.parametrize(
    "line",
    [
        "[{s:.6f}] [{tag}] {name} finished in {ms:.3f} ms",
        "{s:.6f} ({tag}) {name}: done after {us:.0f} us",
        "2026-04-02 10:00:{s:09.6f} [{tag}] INFO {name} was served in {ms:.2f} ms",
    ],
)
def test_a_thread_that_the_loop_waits_for_is_told_by_its_tag(tmp_path, line):
    """A write waits for a bus that a camera's thread holds for 6 ms each 15, in time: its wait."""
    rng, now, free, asks, waits, calls = np.random.default_rng(3), 0.0, 0.0, 4.0, [], []
    for _ in range(400):
        begun, now = now, now + rng.uniform(4, 6)
        calls.append((begun, now, "main", "imu.read"))
        while asks <= now:
            free = max(asks, free) + 6.0
            calls.append((free - 6.0, free, "camera", "grab"))
            asks = max(free, asks + 15.0) + rng.uniform(0.5, 2)
        waits.append(max(free - now, 0.0))
        calls.append((now, now + waits[-1] + 2.0, "main", "arm.write"))
        now = free = now + waits[-1] + 2.0
    calls.sort(key=lambda call: call[1])
    text = "".join(
        line.format(s=end / 1e3, tag=tag, name=name, ms=end - at, us=1e3 * (end - at)) + "\n"
        for at, end, tag, name in calls
    )
    run = read(tmp_path, text, name="log.log")
    assert set(run.thread_names) == {"main", "camera"}
    (found,) = contention(prepare(run)).found
    assert (found.calls, found.thread, found.partners) == (("arm.write",), "camera", ("grab",))
    assert found.wait_ms_per_loop.value == pytest.approx(np.mean(waits), abs=0.05)


@pytest.mark.parametrize(
    "line", [" " * 60_000 + "imu: 4 ms", "[a" + " " * 60_000 + "imu: 4 ms", "x" * 60_000]
)
def test_long_lines_are_looked_at_once(line):
    """Blanks or letters without end take no more than their number, not its square, in steps."""
    assert tags_of([line]) is None
    Shapes().read(line)
