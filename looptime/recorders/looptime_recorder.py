"""looptime recorder for Python 3.8 and newer: one file, no dependencies.

Copyright (c) 2026 the looptime developers. SPDX-License-Identifier: MIT-0
You may use, copy, change and pass on this file, also inside closed programs, without any
condition. It comes as it is, without warranty of any kind; nobody is liable for what it does.

    import looptime_recorder

    rec = looptime_recorder.start("logs", "practice")
    rec.meta("robot", "tray-carrier")
    gyro_read = rec.call("gyro.read")              # once, before the loop
    while running:
        rec.loop()                                 # first thing in every loop
        rec.phase("operator" if enabled else "standby")  # holds from the next loop on
        with gyro_read:
            heading = gyro.read()
        rec.signal("heading_deg", heading)
    rec.close()                                    # on the loop's thread

How it works: each thread has a ring of rows that only it fills and only the writer empties, so the
loop takes no lock and its memory does not grow. A background thread turns the rows into text, a
few at a time because it shares the interpreter with the loop, and appends them to the file in
blocks. If it cannot keep up, whole loops are left out (on other threads: whole outermost calls) and
counted; the sequence number shows where. A mark that makes no sense (an end without a begin, a loop
of a second thread) is left out and counted; a value that is no number leaves an empty cell. Trouble
never reaches the robot's code.
"""

import atexit
import datetime
import math
import os
import pathlib
import sys
import threading
import time
import weakref

__all__ = ["Recorder", "start"]

ROWS = 1 << 13  # ring of each thread
WRITE_EVERY_S = 0.1  # a killed program loses at most this much
SYNC_EVERY = 10  # blocks until the disk itself is told to write
AT_A_TIME = 64  # rows turned into text before the loop gets the interpreter back
MOST_ROWS = 1 << 20
ROWS_IN_ALL = 1 << 18  # of all rings at once; threads beyond them have small ones
FEW_ROWS = 64
MOST_NAMES = 1 << 14
LONGEST_TEXT = 400
HEADER = "loop,thread,seq,name,start_us,duration_us,phase,mark,value\n"

_clock = time.perf_counter_ns
_MARKS = ("", "published", "used", "signal")
_PUBLISHED, _USED, _SIGNAL = 1, 2, 3
_PHASE_BITS = 16
_TOO_MANY = 1
_CONTROLS = dict.fromkeys([*range(32), *range(127, 160), 0x2028, 0x2029], " ")
_NOT_IN_FILE_NAMES = dict.fromkeys(map(ord, '/\\:*?"<>|'), "-")


def start(folder, name, rows=ROWS, decimals=3):
    """Start a recording in a new file ``folder/name-001.csv`` (the next free number).

    Each thread gets a ring of `rows`; times are written with `decimals` (0 to 3) places after the
    microsecond.
    """
    return Recorder(folder, name, rows, decimals)


class _Lane:
    """One thread's rows: only that thread moves `head`, only the writer moves `tail`."""

    __slots__ = (
        "dropped", "has_loop", "head", "ignored", "kept", "lost", "name", "opened", "ring", "room",
        "size", "tail", "thread",
    )  # fmt: skip

    def __init__(self, name, rows):
        self.name = name
        self.thread = threading.current_thread()
        self.size = rows
        # A row: (loop and phase, start), end, name and mark, sequence number. Some to overwrite
        # are made here, so that each new row frees an old one and the collector is never called.
        self.ring = [((0, n), 0, 0, 0) for n in range(rows)]
        self.opened = []  # of calls begun and not ended: (loop and phase, start)
        self.has_loop = False  # whether this is the thread that marks the loops
        self.head = 0  # rows, counted on without end, as are kept and tail
        self.kept = 0  # up to here the loops are finished and the writer may take the rows
        self.tail = 0
        self.room = rows  # head may go up to here; -1 while a loop is left out
        self.lost = 0
        self.dropped = 0
        self.ignored = 0  # marks that make no sense

    def add(self, begun, second, code):
        """Keep a row; if it finds no room, give up the whole loop."""
        if self.head >= self.room >= 0:
            self.room = self.tail + self.size
        if self.head < self.room:
            self.ring[self.head % self.size] = (begun, second, code, self.head + self.lost)
            self.head += 1
        else:
            self.lost += self.head - self.kept + 1
            self.head = self.kept
            self.room = -1

    def keep(self):
        """Hand the rows since the last time to the writer, or give them up as lost."""
        if self.room < 0:
            self.room = 0
            self.dropped = self.lost
        self.kept = self.head


class _ThisThread(threading.local):
    """The lane of whichever thread asks; made when it asks for the first time."""

    def __init__(self, recorder):
        self.lane = recorder._register()


class Call:
    """A call that can be timed, on any thread: ``with call: ...``; may be nested."""

    __slots__ = ("_code", "_recorder", "_this_thread")

    def __init__(self, recorder, code):
        self._recorder = recorder
        self._this_thread = recorder._this_thread
        self._code = code

    def __enter__(self):
        self._this_thread.lane.opened.append((self._recorder._now, _clock()))

    def __exit__(self, kind, error, trace):
        end = _clock()
        lane = self._this_thread.lane
        opened = lane.opened
        try:
            begun = opened.pop()
        except IndexError:
            lane.ignored += 1  # an end without a begin
            return
        head = lane.head
        if head < lane.room:  # the usual way, written out: a function call would cost too much
            lane.ring[head % lane.size] = begun, end, self._code, head + lane.lost
            lane.head = head + 1
        else:
            lane.add(begun, end, self._code)
        if not opened and not lane.has_loop:
            lane.keep()

    def published(self):
        """In the reading thread: the reading just taken can be seen by others from now on."""
        self._recorder._instant(self._code | _PUBLISHED)

    def used(self):
        """In the loop: the newest reading that this call took elsewhere is picked up now."""
        self._recorder._instant(self._code | _USED)


class Recorder:
    """A recording; see the top of this file. Make one with `start`."""

    def __init__(self, folder, name, rows=ROWS, decimals=3):
        self._origin = _clock()
        self._rows = _within(rows, 2, MOST_ROWS, ROWS)
        self._decimals = _within(decimals, 0, 3, 3)
        self._make_locks()
        self._names = ["", "too-many-names"]  # 0 is "no phase"
        self._ids = {}
        self._calls = {}
        self._thread_names = {}  # and the last number given to one
        self._lanes = []
        self._remarks = []
        self._gone_dropped = self._gone_ignored = 0  # of threads that have ended
        self._told = 0, 0  # dropped and ignored, as last written
        self._process = os.getpid()
        self._idle = False  # there is no writer: no file, or closed
        self._loop_lane = None  # of the thread that marks the loops
        self._loop_start = 0
        self._loop = -1
        self._now = -1 << _PHASE_BITS  # current loop and phase in one number
        self._wanted_phase = 0
        self._this_thread = _ThisThread(self)
        self._loop_code = self._id("loop") << 2
        self._closed = threading.Event()
        self._out = None
        self.path = None
        try:
            self._open(pathlib.Path(folder), _file_name(name))
        except Exception as problem:
            self._give_up(problem)

    # ---- marks: what the robot's code calls -------------------------------------------------

    def call(self, name):
        """Return the call of this name; ask once, not per loop."""
        number = self._id(name)
        made = self._calls.get(number)
        if made is None:
            made = self._calls[number] = Call(self, number << 2)
        return made

    def loop(self):
        """Mark the start of a loop, and with it the end of the one before."""
        instant = _clock()
        lane = self._this_thread.lane
        if lane is not self._loop_lane and not self._claim_loop(lane):
            lane.ignored += 1
            return  # one thread has the loop: the first that marked one
        if self._loop >= 0:
            lane.add((self._now, self._loop_start), instant, self._loop_code)
        lane.keep()
        self._loop_start = instant
        self._loop += 1
        self._now = self._loop << _PHASE_BITS | self._wanted_phase

    def signal(self, name, value):
        """Record a value, such as ``heading_deg``, at this instant."""
        try:
            value = float(value)
        except Exception:
            value = math.nan
        self._instant(self._id(name) << 2 | _SIGNAL, value)

    def phase(self, name):
        """Name the phase, such as ``standby``; it holds from the next loop on."""
        none = name is None or (isinstance(name, str) and not name.strip())
        self._wanted_phase = 0 if none else self._id(name)
        if self._loop < 0:
            self._now = -1 << _PHASE_BITS | self._wanted_phase

    def meta(self, key, value):
        """Add a line ``# key: value`` to the log."""
        if not self._idle:
            self._remarks.append(f"# {_text(key) or 'note'}: {_text(value)}\n")

    def flush(self):
        """Write what is finished so far; not for the loop's path."""
        self._drain(sync=True)

    def close(self):
        """End the recording; from the loop's thread, so that the rows of its last loop are kept."""
        if self._process == os.getpid():  # else a fork: the file and its writer are the parent's
            self._this_thread.lane.keep()
            with self._lock:
                if self._closed.is_set():
                    return
                self._closed.set()
            self._drain(sync=True, last=True)
        atexit.unregister(self.close)

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        self.close()

    def _instant(self, code, value=None):
        instant = _clock()
        lane = self._this_thread.lane
        lane.add((self._now, instant), instant if value is None else value, code)
        if not lane.opened and not lane.has_loop:
            lane.keep()

    # ---- start --------------------------------------------------------------------------------

    def _id(self, name):
        try:
            number = self._ids.get(name)
        except Exception:
            number = None  # not even a word
        return self._new_id(_text(name) or "unnamed") if number is None else number

    def _new_id(self, text):
        with self._lock:
            number = self._ids.get(text)
            if number is None:
                number = len(self._names)
                if number >= MOST_NAMES:
                    return _TOO_MANY  # names made up on the fly: they would fill the memory
                self._names.append(_quoted(text))
                self._ids[text] = number
        return number

    def _claim_loop(self, lane):
        with self._lock:
            if self._loop_lane is None:
                self._loop_lane = lane
                lane.has_loop = True
        return lane.has_loop

    def _make_locks(self):
        self._lock = threading.Lock()
        self._writing = threading.Lock()

    def _register(self):
        if self._idle:
            return _Lane("", 2)
        with self._lock:
            plain = name = _text(threading.current_thread().name) or "unnamed"
            while name in self._thread_names:
                self._thread_names[plain] += 1
                name = f"{plain}#{self._thread_names[plain]}"
            self._thread_names[name] = 1
            held = sum(lane.size for lane in self._lanes)
            room = self._rows if not held or held + self._rows <= ROWS_IN_ALL else FEW_ROWS
            lane = _Lane(_quoted(name), min(room, self._rows))
            self._lanes.append(lane)
        return lane

    def _open(self, folder, name):
        cost = self._row_cost()
        folder.mkdir(parents=True, exist_ok=True)
        number = 1
        while self._out is None:
            self.path = folder / f"{name}-{number:03d}.csv"
            try:  # "x": never an old file, nor another program's; unbuffered, as blocks are whole
                self._out = open(self.path, "xb", 0)
            except FileExistsError:
                number += 1
        stamp = datetime.datetime.now(datetime.timezone.utc).isoformat()
        self._put(
            "# looptime-recorder: python 1\n# clock: monotonic\n"
            f"# time: {stamp}\n# row_cost_ns: {cost}\n# dropped: 0\n{HEADER}"
        )
        atexit.register(self.close)
        _renew_locks_in_forks(self)
        threading.Thread(target=self._write_on, name="looptime-writer", daemon=True).start()

    def _row_cost(self):
        """Return what one timed call costs here [ns]: the lower quartile of some batches."""
        mine = self._this_thread.lane
        trial = self._this_thread.lane = _Lane("", 1 << 10)
        empty = Call(self, self._loop_code)
        costs = []
        for _ in range(21):
            begin = _clock()
            for _ in range(1000):
                with empty:
                    pass
            costs.append((_clock() - begin) // 1000)
            trial.tail = trial.head
        self._this_thread.lane = mine
        return sorted(costs)[len(costs) // 4]  # what disturbs only adds

    # ---- writer -------------------------------------------------------------------------------

    def _write_on(self):
        blocks = 0
        while not self._closed.wait(WRITE_EVERY_S):
            blocks += 1
            self._drain(sync=blocks % SYNC_EVERY == 0)

    def _drain(self, sync, last=False):
        if self._process != os.getpid():
            return
        with self._writing:
            if self._out is None:
                return
            try:
                self._write_block(last)
                if sync:
                    os.fsync(self._out.fileno())
                if last:
                    self._out.close()
                    self._out = None
                    self._idle = True
            except Exception as problem:
                self._give_up(problem)

    def _write_block(self, last):
        """Write whole rows only, so a file that is cut is readable up to the last block."""
        text = []
        while self._remarks:
            text.append(self._remarks.pop(0))
        dropped, ignored = self._gone_dropped, self._gone_ignored
        for lane in list(self._lanes):
            ended = not lane.thread.is_alive()
            kept = lane.kept
            while lane.tail < kept:
                text.append(self._take(lane, min(kept, lane.tail + AT_A_TIME)))
                if not last and kept - lane.tail < lane.size // 2:
                    time.sleep(0.0002)  # the loop first
            dropped += lane.dropped
            ignored += lane.ignored
            if ended:
                self._gone_dropped += lane.dropped
                self._gone_ignored += lane.ignored
                self._lanes.remove(lane)
                if lane is self._loop_lane:
                    self._loop_lane = None  # another thread may have the loop now
        if (dropped, ignored) != self._told or last:
            self._told = dropped, ignored
            text.append(f"# dropped: {dropped}\n")
            if ignored:
                text.append(f"# ignored: {ignored}\n")
        self._put("".join(text))

    def _put(self, text):
        data, start = text.encode(), self._out.tell()
        try:
            while data:
                data = data[self._out.write(data) :]
        except OSError:
            self._out.truncate(start)  # a full disk takes no part of a row
            raise

    def _take(self, lane, end):
        step = 10 ** (3 - self._decimals)
        per_us = 1000 / step
        line = "%d,{},%d,%s,%.{d}f,%.{d}f,%s,%s,%s\n".format(
            lane.name.replace("%", "%%"), d=self._decimals
        )
        lines = []
        for row in range(lane.tail, end):
            (now, begin), second, code, seq = lane.ring[row % lane.size]
            value = ""
            if code & 3 == _SIGNAL:
                value, second = (f"{second:.9g}" if math.isfinite(second) else ""), begin
            # start and end are cut alike, so a nested call never sticks out of its enclosing one
            first = (begin - self._origin) // step
            length = (second - self._origin) // step - first
            lines.append(
                line % (
                    now >> _PHASE_BITS, seq, self._names[code >> 2], first / per_us,
                    length / per_us, self._names[now & 0xFFFF], _MARKS[code & 3], value,
                )
            )  # fmt: skip
        lane.tail = end
        return "".join(lines)

    def _give_up(self, problem):
        self._out = None
        self._idle = True
        try:
            print(f"looptime recorder: no log from here on: {problem}", file=sys.stderr)
        except Exception:
            pass  # there is no console either


def _renew_locks_in_forks(recorder):
    """Give a forked child locks of its own: a thread may hold those that it inherits, for ever."""
    known = weakref.ref(recorder)

    def renew():
        here = known()
        if here is not None:
            here._make_locks()
            here._idle = True  # the file and its writer are the parent's

    if hasattr(os, "register_at_fork"):
        os.register_at_fork(after_in_child=renew)


def _within(value, least, most, usual):
    """Return a whole number between two others, the usual one for what is none."""
    try:
        return min(most, max(least, int(value)))
    except Exception:
        return usual


def _text(value):
    """Return the value as it is written: not too long, on one line, what UTF-8 can say."""
    try:
        text = str(value)
    except Exception:
        text = type(value).__name__
    text = text.translate(_CONTROLS).encode("utf-8", "replace").decode("utf-8")
    return text.strip()[:LONGEST_TEXT].strip()


def _file_name(name):
    """Return a name for the file, in its folder and nowhere else."""
    text = _text(name).translate(_NOT_IN_FILE_NAMES)
    return text.encode("utf-8")[:120].decode("utf-8", "ignore") or "log"


def _quoted(text):
    """Return the text, which is one line, as a field of a comma-separated file (RFC 4180)."""
    if "," in text or '"' in text or text.startswith("#"):
        return '"' + text.replace('"', '""') + '"'
    return text
