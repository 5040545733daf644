"""Programs for the tests of the small-Python recorder: ``runs.py RECORDER MODE FOLDER``.

They run on MicroPython as on CPython, print the path of their log first, then what they know.
"""

import sys
import time

sys.path.insert(0, sys.argv[1])
import looptime_recorder_micro as recorder

LOOPS = 40


def ticks_us():
    """The board's counter; elsewhere any that does not wrap."""
    return time.ticks_us() if hasattr(time, "ticks_us") else time.perf_counter_ns() // 1000


def sleep_ms(ms):
    """Wait without giving way to anybody."""
    begin = ticks_us()
    if hasattr(time, "ticks_diff"):
        while time.ticks_diff(ticks_us(), begin) < 1000 * ms:
            pass
    else:
        while ticks_us() < begin + 1000 * ms:
            pass


def marks(folder):
    """Loops of known lengths by the interpreter's own clock, with nesting, signals and phases."""
    while "near-wrap" in sys.argv and ticks_us() < 2**30 - 60000:
        pass
    before = ticks_us()
    rec = recorder.start(folder, "marks")
    rec.meta("robot", "tray-carrier\nwith a line break")
    drive = rec.call('drive, "all"')
    gyro = rec.call("gyro.read")
    rec.phase("standby")
    for n in range(10):
        rec.loop()
        if n == 4:
            rec.phase("operator")
        with drive:
            sleep_ms(3)
            with gyro:
                sleep_ms(10)
            gyro.published()
        gyro.used()
        rec.signal("heading_deg", n * 0.5 - 2)
        sleep_ms(5)
    rec.close()
    print(rec.path)
    print("wrapped" if ticks_us() < before else "ran on")


class PretendedCounter:
    """A counter that the program itself moves on and that wraps."""

    def __init__(self, start, period):
        self.true = start
        self.period = period

    def __call__(self):
        return self.true % self.period


def wrap(folder):
    """Planted times; the counter's first value, period and the step back are given as words."""
    start, period, back = [int(word) for word in sys.argv[4:7]]
    counter = PretendedCounter(start, period)
    rec = recorder.start(folder, "wrap", rows=9, ticks=counter, period=period)
    drive = rec.call("drive")
    gyro = rec.call("gyro.read")
    for n in range(LOOPS):
        rec.loop()
        with drive:
            counter.true += 1000
            with gyro:
                counter.true += 3000
            if back and n % 10 == 5:
                with gyro:
                    counter.true -= back  # some counters do this now and then
                rec.signal("heading_deg", -1)
                counter.true += back
            counter.true += 500
        rec.signal("heading_deg", n * 0.25)
        counter.true += 1001
    rec.loop()
    rec.close()
    print(rec.path)


class SmallCounter:
    """A counter that runs round at 2**30 every few calls and takes no memory for it."""

    STEP = 70000000
    LAST = 2**30 - STEP
    BACK = STEP - 2**30

    def __init__(self):
        self.now = 0

    def __call__(self):
        self.now += self.STEP if self.now < self.LAST else self.BACK
        return self.now


def locked(folder):
    """Loops while the interpreter refuses all memory: whatever needed some would raise."""
    import micropython

    own = {"ticks": SmallCounter(), "period": 2**30} if "wrapping" in sys.argv else {}
    rec = recorder.start(folder, "locked", rows=2000, **own)
    drive = rec.call("drive")
    gyro = rec.call("gyro.read")
    rec.signal("heading_deg", 0)
    rec.phase("standby")
    rec.phase("operator")

    def loops(count):
        while count:
            rec.loop()
            rec.phase("standby")
            with drive, gyro:
                pass
            gyro.published()
            gyro.used()
            rec.signal("heading_deg", 1.5)
            count -= 1

    micropython.heap_lock()
    try:
        loops(200)
    finally:
        micropython.heap_unlock()
    rec.close()
    print(rec.path)


def full(folder):
    """More rows than fit: written between loops as often as needed."""
    rec = recorder.start(folder, "full", rows=30)
    step = rec.call("step")
    for _ in range(100):
        rec.loop()
        for _ in range(4):
            with step:
                pass
    rec.loop()
    rec.close()
    print(rec.path)


def overflow(folder):
    """Nothing is written but when asked: loops of 4 rows, one of 40, a flush within a loop."""
    rec = recorder.start(folder, "overflow", rows=32, write_when_full=False)
    step = rec.call("step")
    for n in range(60):
        rec.loop()
        for call in range(39 if n == 30 else 3):
            if call == 2 and n in (25, 29, 50):
                rec.flush()
            with step:
                pass
    rec.loop()
    rec.close()
    print(rec.path)


def endless(folder):
    """Runs until it is killed; prints the number of each loop."""
    rec = recorder.start(folder, "endless", rows=60)
    step = rec.call("step")
    print(rec.path)
    n = 0
    while True:
        rec.loop()
        with step:
            sleep_ms(1)
        print(n)
        n += 1


def many_names(folder):
    """More names than there may be: the rest share one."""
    rec = recorder.start(folder, "many", rows=700)
    rec.loop()
    for n in range(300):
        with rec.call("call" + str(n)):
            pass
    rec.close()
    print(rec.path)


MODES = {
    "marks": marks,
    "wrap": wrap,
    "locked": locked,
    "full": full,
    "overflow": overflow,
    "endless": endless,
    "many_names": many_names,
}
MODES[sys.argv[2]](sys.argv[3])
