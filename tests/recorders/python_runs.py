"""Runs of the Python recorder; the first word names the run, the second the folder.

Written for Python 3.8 as well, like the recorder, and without the project on the path.
"""

import importlib.util
import sys
import threading
import time
from pathlib import Path

SOURCE = Path(__file__).resolve().parents[2] / "looptime" / "recorders" / "looptime_recorder.py"
spec = importlib.util.spec_from_file_location("looptime_recorder", str(SOURCE))
looptime_recorder = importlib.util.module_from_spec(spec)
spec.loader.exec_module(looptime_recorder)


class Program:
    """A recorder, and the calls that the runs time."""

    def __init__(self, folder, rows=1 << 13):
        self.rec = looptime_recorder.start(folder, "log", rows)
        self.outer = self.rec.call("drive.update")
        self.inner = self.rec.call('encoder, "left"')

    def nested(self):
        with self.outer:
            for _ in range(3):
                with self.inner:
                    pass


def plain(folder):
    """Five loops with everything that can be marked."""
    p = Program(folder)
    p.rec.meta("robot", "tray-carrier")
    p.nested()  # before the first loop

    def read():
        with p.outer:
            pass
        p.outer.published()

    reader = threading.Thread(target=read, name="reader")
    for k in range(5):
        p.rec.phase("standby" if k < 2 else "operator")
        p.rec.loop()
        p.nested()
        p.rec.signal("heading_deg", float("nan") if k == 4 else k * -0.25)
        if k == 3:
            reader.start()
            reader.join()
            p.outer.used()
        try:
            with p.inner:
                raise KeyError("a call that fails is timed as well")
        except KeyError:
            p.rec.meta("note", "one line\nand no other")
    p.rec.close()
    p.rec.close()  # a second time does no harm


def overflow(folder):
    """Print how many rows were made; loop 7 is longer than the ring."""
    p = Program(folder, rows=64)
    made = 0
    for k in range(600):
        p.rec.loop()
        made += k > 0
        for _ in range(40 if k == 7 else 2):
            p.nested()
            made += 4
        if k % 50 == 0:
            p.rec.flush()  # there is room again
    p.rec.close()
    print(made)


def overflow_worker(folder):
    """The same in a thread that has no loops; call 7 has more calls in it than the ring."""
    p = Program(folder, rows=64)

    def work():
        for k in range(600):
            if k == 7:
                with p.outer:
                    for _ in range(25):
                        p.nested()
            p.nested()
            if k % 50 == 0:
                p.rec.flush()

    worker = threading.Thread(target=work, name="worker")
    worker.start()
    worker.join()
    p.rec.close()
    print(600 * 4 + 101)


def threads(folder):
    """Eight threads at once, one of which has the loop."""
    p = Program(folder)

    def work(loops):
        for k in range(1000):
            if loops:
                p.rec.loop()
            p.nested()
            if k % 50 == 0:
                time.sleep(0)
        if loops:
            p.rec.loop()  # ends the last loop

    all_of_them = [
        threading.Thread(target=work, args=(n == 0,), name="worker" if n else "loop")
        for n in range(8)
    ]
    for thread in all_of_them:
        thread.start()
    for thread in all_of_them:
        thread.join()
    p.rec.close()


def forever(folder):
    """Print the number of each loop until something ends the program."""
    p = Program(folder)
    k = 0
    while True:
        p.rec.loop()
        p.nested()
        print(k, flush=True)
        k += 1
        time.sleep(0.002)


def unclosed(folder):
    """End without closing the recorder."""
    p = Program(folder)
    for _ in range(3):
        p.rec.loop()
        p.nested()


def collector(folder):
    """Print how often the collector runs in 1,000 loops, which make 5,000 rows."""
    import gc

    looptime_recorder.WRITE_EVERY_S = 3600  # what the writer makes comes and goes at its own times
    p = Program(folder)
    p.rec.loop()
    p.nested()
    gc.collect()
    runs = []
    gc.callbacks.append(lambda when, info: runs.append(info["generation"]))
    for _ in range(1000):
        p.rec.loop()
        p.nested()
    gc.callbacks.clear()
    print(len(runs))
    p.rec.close()


if __name__ == "__main__":
    globals()[sys.argv[1]](sys.argv[2])
