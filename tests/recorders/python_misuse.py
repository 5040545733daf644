"""What a robot's program may do wrong with the Python recorder: MODE FOLDER [ROUNDS SEED].

Prints what the log must add up to. Written for Python 3.8 as well, without the project on the path.
"""

import os
import random
import signal
import sys
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "looptime" / "recorders"))
import looptime_recorder


class Nameless:
    """Not even a name for itself."""

    def __str__(self):
        raise RuntimeError("no name")

    def __float__(self):
        raise RuntimeError("no value")


NOTHING = [None, "word", "", [], {}, b"x", object(), Nameless(), 10**400, 1j, "\ud800", "\0"]


def all_marks(rec, call):
    """One row of each kind."""
    with call:
        pass
    rec.signal("value", 1)
    call.published()
    call.used()


def counted(made, ignored):
    """Print what the log must say."""
    print("made", made)
    print("ignored", ignored)


def values(folder):
    """A signal of whatever is no number: a row without a value."""
    rec = looptime_recorder.start(folder, "log")
    rec.loop()
    for value in NOTHING:
        rec.signal("heading_deg", value)
    rec.loop()
    rec.loop()
    rec.close()
    counted(len(NOTHING) + 2, 0)


def names(folder):
    """Names of every kind, and far more than the table has places for."""
    rec = looptime_recorder.start(folder, "log", rows=1 << 15)
    rec.loop()
    odd = [
        *("", "a,b", 'a"b', "line\nbreak", "line\r\nbreak", "tab\tbell\a", "café", "next\x85line"),
        *("line\u2028separator", "x" * 1000, "nul\0cut", "surrogate \ud800", "#1"),
    ]
    strange = [*odd, *NOTHING]
    for name in strange:
        with rec.call(name):
            pass
        rec.signal(name, 0)
    rec.phase("automatic\nnow")
    for number in range(looptime_recorder.MOST_NAMES + 100):
        with rec.call(f"made up {number}"):
            pass
        if number % 1000 == 0:
            rec.flush()
    for phase in NOTHING[2:]:
        rec.phase(phase)
    rec.phase(None)
    rec.meta("note\n", "one\nline\0only\n")
    rec.meta(Nameless(), Nameless())

    def work():
        with rec.call("a,b"):
            pass

    for name in ("line\nbreak", "line break", "line\rbreak", "\n", "s\ud800"):
        thread = threading.Thread(target=work, name=name)
        thread.start()
        thread.join()
    rec.loop()
    rec.loop()
    rec.close()
    counted(2 * len(strange) + looptime_recorder.MOST_NAMES + 100 + 5 + 2, 0)


def places(folder):
    """Whatever the name, the file lies in the folder."""
    for name in (
        "../out",
        "/tmp/out",
        "..",
        "",
        None,
        "a/b\\c:d",
        "line\nbreak",
        "\ud800",
        "n" * 5000,
    ):
        with looptime_recorder.start(folder, name) as rec:
            rec.loop()
        print(rec.path)


def ends(folder):
    """Ends without a begin, loops of a second thread, marks after the end."""
    rec = looptime_recorder.start(folder, "log")
    call = rec.call("call")
    rec.loop()
    for _ in range(3):
        call.__exit__(None, None, None)

    def second():
        rec.loop()
        call.__exit__(None, None, None)

    thread = threading.Thread(target=second)
    thread.start()
    thread.join()
    all_marks(rec, call)
    rec.loop()
    rec.close()
    all_marks(rec, call)
    rec.loop()
    rec.flush()
    rec.close()
    counted(5, 5)


def next_thread(folder):
    """A second thread takes the loop over where the first has ended."""
    rec = looptime_recorder.start(folder, "log")
    for _ in range(2):
        thread = threading.Thread(target=lambda: [rec.loop() for _ in range(4)])
        thread.start()
        thread.join()
        rec.flush()
    rec.close()
    counted(7, 0)


def forked(folder):
    """The child leaves the parent's log alone, and ends."""
    rec = looptime_recorder.start(folder, "log")
    call = rec.call("parent")
    rec.loop()
    all_marks(rec, call)
    child = os.fork()
    if child == 0:
        all_marks(rec, call)
        rec.loop()
        rec.flush()
        rec.close()
        sys.exit(0)
    assert os.waitpid(child, 0)[1] == 0
    rec.loop()
    rec.close()
    counted(5, 0)


def locked(folder):
    """A thread holds the recorder's locks when the program forks: the child has its own."""
    rec = looptime_recorder.start(folder, "log", rows="many", decimals=None)
    call = rec.call("parent")
    rec.loop()
    with rec._lock, rec._writing:
        child = os.fork()
        if child == 0:
            signal.alarm(60)  # ends a child that waits
            rec.meta("of the", "child")
            rec.phase("of the child")
            thread = threading.Thread(target=all_marks, args=(rec, rec.call("child")))
            thread.start()
            thread.join()
            rec.flush()
            rec.close()
            os._exit(0)
    assert os.waitpid(child, 0)[1] == 0
    all_marks(rec, call)
    rec.loop()
    rec.close()
    counted(5, 0)


def crowd(folder):
    """Threads that are all there at once, with names of every kind."""
    rec = looptime_recorder.start(folder, "log")
    call, over = rec.call("call"), threading.Event()
    odd = ["worker", "line\nbreak", "nul\0", "s\ud800", '#1,"', "", "\u2028"]
    marked = threading.Semaphore(0)

    def work():
        all_marks(rec, call)
        marked.release()
        over.wait()

    threads = [threading.Thread(target=work, name=odd[n % len(odd)]) for n in range(300)]
    for thread in threads:
        thread.start()
    for _ in threads:
        marked.acquire()
    print(sum(lane.size for lane in rec._lanes))
    over.set()
    for thread in threads:
        thread.join()
    rec.close()


def nowhere(folder):
    """No folder, no console and no writer: threads come and go without keeping any memory."""
    import gc

    console, sys.stdout, sys.stderr = sys.stdout, None, None
    for impossible in (None, "nul\0", 5, "/dev/null/logs"):
        rec = looptime_recorder.start(impossible, "log")
    call = rec.call("call")
    for _ in range(200):
        thread = threading.Thread(target=all_marks, args=(rec, call))
        thread.start()
        thread.join()
    sys.stdout = console
    gc.collect()
    lanes = [o for o in gc.get_objects() if isinstance(o, looptime_recorder._Lane)]
    print(len([lane for lane in lanes if lane.size > 2]))


class SteppingClock:
    """A clock that steps back and ahead, and else goes on by 1 us a reading."""

    STEPS = (0, -1, -3000000, 5000000000, -3600000000000, 7200000000000)

    def __init__(self):
        self.now = self.readings = 0

    def __call__(self):
        self.readings += 1
        self.now += 1000
        if self.readings % 41 == 3:
            self.now += self.STEPS[self.readings // 41 % 6]
        return self.now


def clock(folder):
    """The clock steps, between marks and within calls."""
    looptime_recorder._clock = SteppingClock()
    rec = looptime_recorder.start(folder, "log")
    outer, inner = rec.call("outer"), rec.call("inner")
    for n in range(600):
        rec.loop()
        with outer:
            with inner:
                pass
            rec.signal("inner", n)
    rec.loop()
    rec.close()
    counted(2400, 0)


class Storm:
    """Everything at once from several threads, by chance."""

    def __init__(self, folder, rounds, seed):
        self.rec = looptime_recorder.start(folder, "log", rows=256)
        self.good = [self.rec.call(name) for name in ("gyro.read", "a,b", "line\nbreak")]
        self.rounds, self.seed = rounds, seed
        self.made, self.ignored = [], []
        self.begun = threading.Event()

    def play(self, number):
        """Marks of one thread; number 0 has the loop."""
        made = ignored = 0
        chance = random.Random(8 * self.seed + number)
        if number == 0:
            self.rec.loop()
            self.begun.set()
        self.begun.wait()
        for _ in range(self.rounds):
            what = chance.randrange(9)
            call = chance.choice(self.good)
            made += what < 6
            if what == 0:
                self.rec.signal(
                    chance.choice([*NOTHING, "heading_deg"]), chance.choice([1.5, *NOTHING])
                )
            elif what == 1:
                call.published()
            elif what == 2:
                call.used()
            elif what == 3:
                with call:
                    pass
            elif what < 6:
                with call, chance.choice(self.good):
                    self.rec.meta("note", chance.choice(NOTHING))
                made += 1
            elif what == 6:
                self.rec.loop()
                made += number == 0
                ignored += number != 0
            elif what == 7:
                call.__exit__(None, None, None)
                ignored += 1
            elif chance.random() < 0.05:
                self.rec.flush()
                self.rec.phase(chance.choice(NOTHING))
                time.sleep(0.0001)
        self.made.append(made)
        self.ignored.append(ignored)

    def run(self):
        """Play and print the sums."""
        threads = [
            threading.Thread(target=self.play, args=(n,), name=f"worker\n{n - 1}")
            for n in range(1, 5)
        ]
        for thread in threads:
            thread.start()
        threading.current_thread().name = "main"
        self.play(0)
        for thread in threads:
            thread.join()
        self.rec.close()
        counted(sum(self.made), sum(self.ignored))


def storm(folder):
    """Run a storm of so many rounds by this seed."""
    threading.current_thread().name = "main"
    Storm(folder, int(sys.argv[3]), int(sys.argv[4])).run()


if __name__ == "__main__":
    globals()[sys.argv[1]](sys.argv[2])
