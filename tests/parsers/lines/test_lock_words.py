"""Lines of locks in words, against a simulated lock of two threads."""

import random

import pytest

import looptime
from looptime.errors import LogError

_WORDS = ("want", "got", "free", "begin", "end")


def _events(loops=300):
    """Instants of a loop that shares a lock with a camera: time [s], thread, name, edge."""
    rng = random.Random(5)
    made, now, free, grab = [], 1.0, 0.0, 1.003
    while len(made) < 7 * loops:
        for name, at in (("grab", grab), ("gyro", now)):
            if name == "grab" and grab > now:
                continue
            had = max(at, free)
            free = had + (0.007 if name == "grab" else 0.002) + rng.random() * 1e-4
            thread = "cam" if name == "grab" else "main"
            made += [(at, thread, name, 0), (had, thread, name, 1), (free, thread, name, 2)]
            if name == "grab":
                grab += 0.031
            else:
                now = free + 1e-6
        made += [(now, "main", "drive", 3), (now + 0.004, "main", "drive", 4)]
        now += 0.004 + 1e-6
    return sorted(made)


def _sentences(form, unit=1.0):
    """A line for each call at its end, in so many units a second; how long the gyro's last [s]."""
    turns, lines, lasted = {}, [], []
    for t, thread, name, edge in _events():
        if edge in (0, 3):
            turns[name] = [t, t]
        elif edge == 1:
            turns[name][1] = t
        else:
            began, had = turns.pop(name)
            lasted += [t - began] if name == "gyro" else []
            lines.append(
                form.format(t=unit * t, thread=thread, name=name, w=1e3 * (had - began),
                            k=1e3 * (t - had), both=1e3 * (t - began))
            )  # fmt: skip
    return lines, lasted


def _read(tmp_path, lines):
    path = tmp_path / "locks.log"
    path.write_text("\n".join(lines) + "\n")
    return looptime.read(path)


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ("{t:.6f} {thread} {name} {word}", _WORDS),
        ("[{t:.6f}] [{thread}] {word} {name}", ("WAIT", "ACQUIRED", "RELEASED", "ENTER", "EXIT")),
        ("{t:.6f} {thread} {name}_{word}", ("try", "taken", "given", "begin", "end")),
        ("INFO {t:.6f} {thread}.{name}.{word}", ("request", "enter", "leave", "begin", "end")),
        ("{t:.6f} {thread}: {name} {word}", ("wartet", "belegt", "frei", "beginn", "ende")),
        ("{t:.6f} {name} {word} {thread}", ("espera", "zas", "libera", "begin", "end")),
        ("{t:.6f} {thread} {name} {word}", ("acquire", "acquired", "release", "begin", "end")),
        ("{t:.6f} {thread} {name} {word}", ("lock", "locked", "unlock", "begin", "end")),
    ],
)
def test_lock_words_are_no_calls(tmp_path, form, words):
    lines = [form.format(t=t, thread=thread, name=name, word=words[edge])
             for t, thread, name, edge in _events()]  # fmt: skip
    calls = _read(tmp_path, lines).calls
    threads = dict(zip(calls["name"], calls["thread"], strict=True))
    assert threads == {"gyro": "main", "drive": "main", "grab": "cam"}
    began, longest = None, 0.0
    for t, _, name, edge in _events():
        if name == "gyro" and edge == 0:
            began = t
        elif name == "gyro" and edge == 2:
            longest = max(longest, t - began)
    mine = calls[calls["name"] == "gyro"]["duration_ns"]
    assert mine.max() == pytest.approx(1e9 * longest, abs=2000)


def test_locks_across_each_other_without_threads_are_refused(tmp_path):
    lines = [f"{t:.6f} {name} {_WORDS[edge]}" for t, _, name, edge in _events()]
    with pytest.raises(LogError, match="across each other"):
        _read(tmp_path, lines)


@pytest.mark.parametrize(
    "form",
    [
        "[{t:.4f}] {thread}: {name} waited {w:.3f} ms for the bus, then took {k:.3f} ms",
        "{t:.4f} {thread} {name} took {k:.3f} ms after waiting {w:.3f} ms",
        "{t:.4f} [{thread}] {name}: {w:.3f} ms waiting, {k:.3f} ms held",
        "{t:.4f} {thread}: {name} wartete {w:.3f} ms, dann dauerte {k:.3f} ms",
        "{t:.4f} {name} in {thread} waited {w:.3f} ms, ran {k:.3f} ms, total {both:.3f} ms",
        "{t:.4f} {thread}: {name} took {both:.3f} ms in all ({w:.3f} ms waiting)",
    ],
)
def test_sentences_of_waits_are_calls(tmp_path, form):
    lines, lasted = _sentences(form)
    calls = _read(tmp_path, lines).calls
    assert set(calls["name"]) == {"gyro", "drive", "grab"}
    assert set(calls[calls["name"] == "grab"]["thread"]) == {"cam"}
    mine = calls[calls["name"] == "gyro"]["duration_ns"]
    assert mine.mean() == pytest.approx(1e9 * sum(lasted) / len(lasted), rel=0.01)


def test_rows_that_tell_the_worst_call_are_no_calls(tmp_path):
    names = ["gyro", "drive", "lift"]
    lines = [f"{0.02 * k:.3f} slowest {names[k % 3]} waited 1.2 ms, took 5.{k % 9} ms"
             for k in range(80)]  # fmt: skip
    try:
        run = _read(tmp_path, lines)
    except LogError:
        return
    assert not set(names) & set(run.calls["name"])


def test_a_phase_that_changes_now_and_then_names_no_calls(tmp_path):
    """A line is a loop: its wait and its work lie within the 20 ms to the next."""
    rng = random.Random(3)
    lines = []
    for k in range(600):
        work = 6 + 2 * rng.random()
        phase = ("standby", "carrying", "docking")[k // 200]
        lines.append(f"[{0.02 * k:.3f}] {phase}: waited {20 - work:.3f} ms, took {work:.3f} ms")
    run = _read(tmp_path, lines)
    assert len(run) >= 598
    assert set(run.loop_columns.period_ns) == {20_000_000}
    assert not {"standby", "carrying", "docking"} & set(run.calls["name"])


@pytest.mark.parametrize(
    "form",
    [
        "{t:.3f} ms {thread}: {name} took {both:.3f} ms ({w:.3f} ms waiting)",
        "{t:.3f} ms {thread}: {name} took {both:.3f} ms, including {w:.3f} ms of wait",
    ],
)
def test_a_wait_within_what_a_call_took_is_not_added(tmp_path, form):
    """Rows are written when calls end: the room before them would bear both."""
    lines, lasted = _sentences(form, 1e3)
    calls = _read(tmp_path, lines).calls
    mine = calls[calls["name"] == "gyro"]["duration_ns"]
    assert mine.mean() == pytest.approx(1e9 * sum(lasted) / len(lasted), rel=0.01)


@pytest.mark.parametrize("other", ["age", "jitter", "limit", "next due in", "last time", "mean"])
def test_a_length_beside_a_wait_that_no_word_says_was_taken_is_no_calls(tmp_path, other):
    """It may be an age, a limit or a mean."""
    rng = random.Random(2)
    lines = [f"{3.3 * k:.3f} ms {('imu', 'drive', 'arm')[k % 3]} waited {rng.random():.2f} ms, "
             f"{other} {1 + rng.random():.2f} ms" for k in range(240)]  # fmt: skip
    try:
        run = _read(tmp_path, lines)
    except LogError:
        return
    assert not {"imu", "drive", "arm"} & set(run.calls["name"])


def test_calls_that_are_named_for_locks_begin_and_end(tmp_path):
    """A gripper takes a tray and releases it: its words for begin and end are no names."""
    lines = []
    for k in range(60):
        for at, text in ((0, "take begin"), (2.1, "take end"), (3.3, "release begin"),
                         (4.3 + k % 3 / 10, "release end")):  # fmt: skip
            lines.append(f"{9 * k + at:.3f} ms {text}")
    calls = _read(tmp_path, lines).calls
    assert set(calls["name"]) == {"take", "release"}
    assert calls[calls["name"] == "take"]["duration_ns"].mean() == pytest.approx(2.1e6)


def test_a_lock_within_calls_of_several_threads_stays_a_lock(tmp_path):
    """Its waits and what is held of it are parts of the calls that take it."""
    words = {"gyro": ("start", "stop"), "grab": ("start", "stop")}
    lines, waited = [], 0.0
    asked = {}
    for t, thread, name, edge in _events():
        if edge < 2:
            first = [f"{{}} {thread} {words[name][0]} {name}"] if edge == 0 else []
            rows = [*first, f"{{}} {thread} lock_{('try', 'got')[edge]} bus"]
        elif edge == 2:
            rows = [f"{{}} {thread} lock_free bus", f"{{}} {thread} {words[name][1]} {name}"]
        else:
            rows = [f"{{}} {thread} {('start', 'stop')[edge - 3]} {name}"]
        lines += [row.format(round(1e6 * t)) for row in rows]
        if name == "gyro" and edge == 0:
            asked[name] = t
        elif name == "gyro" and edge == 1:
            waited += t - asked[name]
    run = _read(tmp_path, ["# us thread what name", *lines])
    assert {name.name for name in run.names} == {"gyro", "drive", "grab", "bus wait", "bus held"}
    mine = run.calls[(run.calls["name"] == "bus wait") & (run.calls["thread"] == "main")]
    assert mine["duration_ns"].sum() == pytest.approx(1e9 * waited, rel=0.02)
    assert mine["depth"].min() == 1
