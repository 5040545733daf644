"""What a program may do wrong with the small-Python recorder: ``misuse.py RECORDER MODE FOLDER``.

It runs on MicroPython as on CPython, prints the path of its log first, then what that must add up
to.
"""

import sys

sys.path.insert(0, sys.argv[1])
import looptime_recorder_micro as recorder


class Nameless:
    """Not even a name for itself."""

    def __str__(self):
        raise RuntimeError("no name")

    def __float__(self):
        raise RuntimeError("no value")


NOTHING = [None, "word", "", [], {}, 7, object(), Nameless(), "\0"]
MADE_UP = 400


def done(rec, made, ignored):
    """End the recording and print what its log must say."""
    rec.close()
    print(rec.path)
    print("made", made)
    print("ignored", ignored)


def own_rows(rec):
    """Count the rows, kept or lost, in which the recorder times its own writing."""
    count, add = [0], rec._add

    def counted(code, loop, start, end):
        count[0] += code >> 10 == rec._write_code >> 10
        add(code, loop, start, end)

    rec._add = counted
    return count


def values(folder):
    """A signal of whatever is no number: a row without a value."""
    rec = recorder.start(folder, "log")
    rec.loop()
    infinite = [float("inf"), float("nan")]
    for value in infinite + NOTHING:
        rec.signal("heading_deg", value)
    rec.loop()
    rec.loop()
    done(rec, len(infinite + NOTHING) + 2, 0)


def names(folder):
    """Names of every kind, and far more than the table has places for."""
    rec = recorder.start(folder, "log", rows=1000)
    rec.loop()
    odd = [
        "",
        "a,b",
        'a"b',
        "line\nbreak",
        "tab\tbell\a",
        "café",
        "next\u0085line",
        "x" * 1000,
        "#1",
    ]
    odd += [chr(0xD800)] if "cpython" in sys.implementation.name else []
    for name in odd + NOTHING:
        with rec.call(name):
            pass
        rec.signal(name, 0)
    rec.phase("automatic\nnow")
    for number in range(MADE_UP):
        with rec.call(f"made up {number}"):
            pass
    for phase in NOTHING:
        rec.phase(phase)
    rec.phase(None)
    rec.meta("note\n", "one\nline\0only\n")
    rec.meta(Nameless(), Nameless())
    rec.loop()
    rec.loop()
    done(rec, 2 * len(odd + NOTHING) + MADE_UP + 2, 0)


def ends(folder):
    """Ends without a begin, and calls nested deeper than is kept."""
    rec = recorder.start(folder, "log")
    call = rec.call("call")
    rec.loop()
    for _ in range(3):
        call.__exit__(None, None, None)
    for _ in range(recorder.DEEPEST + 5):
        call.__enter__()
    for _ in range(recorder.DEEPEST + 5):
        call.__exit__(None, None, None)
    with call:
        pass
    rec.loop()
    done(rec, recorder.DEEPEST + 2, 8)
    with call:
        rec.signal("late", 1)
    rec.loop()
    rec.flush()
    rec.close()


def nowhere(folder):
    """No folder that could be one: the program runs on."""
    for impossible in (None, 5, [], "/dev/null/logs"):
        rec = recorder.start(impossible, "log")
        rec.loop()
        with rec.call("call"):
            rec.meta("note", "lost")
        rec.close()
    print("ran on")


def places(folder):
    """Whatever the name, the file lies in the folder."""
    for name in ("../out", "/out", "..", "", None, "a/b\\c:d", "line\nbreak", "n" * 5000):
        rec = recorder.start(folder, name)
        rec.loop()
        rec.close()
        print(rec.path)


class SteppingCounter:
    """A counter that steps back and ahead now and then, and else goes on by 10 a reading."""

    STEPS = (0, -1, -3000, 5000000, -360000000, 720000000)

    def __init__(self):
        self.now = self.readings = 0

    def __call__(self):
        self.readings += 1
        self.now += 10
        if self.readings % 41 == 3:
            self.now += self.STEPS[self.readings // 41 % 6]
        return self.now % 2**30


def clock(folder):
    """The counter steps, between marks and within calls."""
    rec = recorder.start(folder, "log", rows=60, ticks=SteppingCounter(), period=2**30)
    outer, inner, own = rec.call("outer"), rec.call("inner"), own_rows(rec)
    for n in range(200):
        rec.loop()
        with outer:
            with inner:
                pass
            rec.signal("inner", n)
    rec.loop()
    done(rec, 800 + own[0], 0)


def storm(folder):
    """Everything at once, by chance: so many rounds, by this seed."""
    rounds, chance = int(sys.argv[4]), int(sys.argv[5])
    rec = recorder.start(folder, "log", rows=64)
    good = [rec.call(name) for name in ("gyro.read", "a,b", "line\nbreak")]
    made, ignored, own = 0, 0, own_rows(rec)
    rec.loop()
    for _ in range(rounds):
        chance = (chance * 1103515245 + 12345) & 0x3FFFFFFF
        what = (chance >> 12) % 9
        call, nothing = good[what % 3], NOTHING[(chance >> 6) % 9]
        made += what < 5
        if what == 0:
            rec.signal(nothing, nothing)
        elif what == 1:
            call.published()
        elif what == 2:
            call.used()
        elif what == 3:
            with call:
                rec.meta("note", nothing)
        elif what == 4:
            rec.loop()
        elif what == 5:
            rec.phase(nothing)
        elif what == 6:
            call.__exit__(None, None, None)
            ignored += 1
        elif what == 7:
            rec.flush()
        else:
            with call, rec.call(nothing):
                pass
            made += 2
    done(rec, made + own[0], ignored)


globals()[sys.argv[2]](sys.argv[3])
