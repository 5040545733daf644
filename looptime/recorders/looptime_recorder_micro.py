"""looptime recorder for small boards that run Python (MicroPython; also CPython 3.8 and newer).

Copyright (c) 2026 the looptime developers. SPDX-License-Identifier: MIT-0
You may use, copy, change and pass on this file, also inside closed programs, without any
condition. It comes as it is, without warranty of any kind; nobody is liable for what it does.

    import looptime_recorder_micro

    rec = looptime_recorder_micro.start("logs", "practice")
    rec.meta("robot", "tray-carrier")
    gyro_read = rec.call("gyro.read")              # once, before the loop
    while running:
        rec.loop()                                 # first thing in every loop
        rec.phase("operator" if enabled else "standby")  # holds from the next loop on
        with gyro_read:
            heading = gyro.read()
        rec.signal("heading_deg", heading)
    rec.close()

How it works: a row goes into arrays that are made at the start, so a mark takes no memory and the
collector is not called for it. The arrays are written when they are full, between two loops (the
log shows how long that took, as the call `recorder.log`), at the end, and when `flush` is called.
With `write_when_full=False` nothing is written until then; once the arrays are full, whole loops
are left out and counted, and the sequence number shows where. Marks come from one thread only. An
end without a begin is counted; a value that is no number leaves an empty cell. Nothing is raised.

The board's tick counter may wrap, at any value: rows hold raw ticks, which are put end to end when
they are written. A row is due at least once while the counter runs round (2**30 us: 17 minutes).
"""

import os
import sys
import time
from array import array

ROWS = 400  # 20 bytes each
MOST_ROWS = 1 << 20
DEEPEST = 16  # calls nested deeper than this are not recorded
MOST_NAMES = 255
HEADER = "loop,thread,seq,name,start_us,duration_us,phase,mark,value\n"

_MARKS = ("", "published", "used", "signal")
_PUBLISHED, _USED, _SIGNAL = 1, 2, 3
_TOO_MANY = 1
_LARGEST = 0x3FFFFFFF  # the largest whole number that takes no memory on a 32-bit board

try:  # the documented way to learn where the counter wraps: one tick before zero
    _clock = time.ticks_us
    _PERIOD = time.ticks_add(0, -1) + 1
except AttributeError:  # CPython

    def _clock():
        return time.perf_counter_ns() // 1000 & _LARGEST

    _PERIOD = _LARGEST + 1


def start(folder, name, rows=ROWS, write_when_full=True, ticks=_clock, period=_PERIOD, tick_us=1):
    """Start a recording in a new file ``folder/name-001.csv`` (the next free number).

    A board with another counter gives it as `ticks`, with the number of ticks after which it wraps
    and the microseconds in a tick.
    """
    return Recorder(folder, name, rows, write_when_full, ticks, period, tick_us)


class Call:
    """A call that can be timed: ``with call: ...``; may be nested."""

    def __init__(self, recorder, code):
        self._rec = recorder
        self._code = code

    def __enter__(self):
        rec = self._rec
        depth = rec._depth
        rec._depth = depth + 1
        if depth < DEEPEST:
            rec._open_loops[depth] = rec._loop
            rec._open_codes[depth] = self._code | rec._phase
            rec._open_starts[depth] = rec._ticks() & _LARGEST

    def __exit__(self, kind, error, trace):
        rec = self._rec
        end = rec._ticks() & _LARGEST
        depth = rec._depth - 1
        if depth < 0:
            rec._ignored += 1  # an end without a begin
            return
        rec._depth = depth
        if depth < DEEPEST:
            rec._add(rec._open_codes[depth], rec._open_loops[depth], rec._open_starts[depth], end)
        else:
            rec._ignored += 1

    def published(self):
        """Where it was read: the reading just taken can be seen by others from now on."""
        self._rec._instant(self._code | self._rec._phase | _PUBLISHED, 0)

    def used(self):
        """In the loop: the newest reading that this call took is picked up now."""
        self._rec._instant(self._code | self._rec._phase | _USED, 0)


class Recorder:
    """A recording; see the top of this file. Make one with `start`."""

    def __init__(self, folder, name, rows, write_when_full, ticks, period, tick_us):
        rows = self._make_arrays(rows)
        self._ticks = ticks
        self._top = min(period - 1, _LARGEST)  # the counter's largest value
        self._tick_us = tick_us
        self._write_when_full = write_when_full

        self._size = rows
        self._open_starts = array("i", [0] * DEEPEST)
        self._open_loops = array("i", [0] * DEEPEST)
        self._open_codes = array("i", [0] * DEEPEST)
        self._depth = 0

        self._head = self._kept = self._most = 0  # kept: rows of finished loops
        self._skipping = False  # this loop did not fit: leave out all of it
        self._blocked = False  # and so the next ones, until the arrays are written
        self._lost = self._written = self._gap = 0
        self._ignored = 0  # ends without a begin, and calls nested too deep

        self._names = ["", "too-many-names"]  # 0 is "no phase"
        self._ids = {}
        self._calls = {}
        self._loop = -1
        self._loop_start = 0
        self._phase = self._wanted_phase = 0  # shifted into its place in a row's code
        self._loop_code = self._id("loop") << 10
        self._write_code = self._id("recorder.log") << 10

        self.path = None
        self._file = None
        try:
            cost = self._row_cost()
            self._open(folder, _file_name(name), cost)
        except Exception as problem:
            self._give_up(problem)
        self._elapsed = 0  # ticks since the start at the last row written
        self._last = self._ticks() & _LARGEST

    # ---- marks: what the robot's code calls -------------------------------------------------

    def call(self, name):
        """Return the call of this name; ask once, not per loop."""
        number = self._id(name)
        made = self._calls.get(number)
        if made is None:
            made = self._calls[number] = Call(self, number << 10)
        return made

    def loop(self):
        """Mark the start of a loop, and with it the end of the one before."""
        now = self._ticks() & _LARGEST
        if self._loop >= 0:
            self._add(self._loop_code | self._phase, self._loop, self._loop_start, now)
        if not self._skipping:
            self._most = max(self._most, self._head - self._kept)
            self._kept = self._head
        full = self._skipping or self._size - self._head <= self._most
        if full and self._write_when_full:
            self._write()
        if self._skipping and not self._blocked:
            self._skipping = False
            self._gap = self._lost
        self._loop_start = now
        self._loop += 1
        self._phase = self._wanted_phase
        if full and self._write_when_full:
            self._add(self._write_code | self._phase, self._loop, now, self._ticks() & _LARGEST)

    def signal(self, name, value):
        """Record a value, such as ``heading_deg``, at this instant."""
        self._instant(self._id(name) << 10 | self._phase | _SIGNAL, value)

    def phase(self, name):
        """Name the phase, such as ``standby``; it holds from the next loop on."""
        self._wanted_phase = 0 if name is None or name == "" else self._id(name) << 2
        if self._loop < 0:
            self._phase = self._wanted_phase

    def meta(self, key, value):
        """Write a line ``# key: value``; not for the loop's path."""
        self._put("# {}: {}\n".format(_text(key) or "note", _text(value)))

    def flush(self):
        """Write the loops finished so far; where the loop has time to spare."""
        self._write()

    def close(self):
        """End the recording; the rows of the last loop, which has no end, are kept."""
        if not self._skipping:
            self._kept = self._head
        self._write()
        if self._file is not None:
            file, self._file = self._file, None
            try:
                file.close()
            except OSError as problem:
                self._give_up(problem)

    def __enter__(self):
        return self

    def __exit__(self, kind, error, trace):
        self.close()

    def _instant(self, code, value):
        now = self._ticks() & _LARGEST
        head = self._head
        self._add(code, self._loop, now, now)
        if self._head > head:
            try:
                self._values[head] = value
            except Exception:
                self._values[head] = float("nan")

    def _add(self, code, loop, start, end):
        head = self._head
        if self._skipping:
            self._lost += 1
        elif head < self._size:
            length = end - start
            if length < 0:
                length += self._top  # in two steps, for numbers that take no memory
                length += 1
            self._starts[head] = start
            self._lengths[head] = length
            self._loops[head] = loop
            self._codes[head] = code
            self._head = head + 1
        else:
            self._lost += head - self._kept + 1
            self._head = self._kept
            self._skipping = self._blocked = True

    # ---- start --------------------------------------------------------------------------------

    def _make_arrays(self, rows):
        """Make the arrays for so many rows, or for as many as the memory has room for."""
        try:
            rows = min(MOST_ROWS, max(2, int(rows)))
        except Exception:
            rows = ROWS
        while True:
            try:
                self._starts = array("i", [0] * rows)
                self._lengths = array("i", [0] * rows)
                self._loops = array("i", [0] * rows)
                self._codes = array("i", [0] * rows)  # name, phase and mark
                self._values = array("f", [0] * rows)
                return rows
            except MemoryError:
                if rows == 2:
                    raise
                rows = max(2, rows // 2)

    def _id(self, name):
        try:
            number = self._ids.get(name)
        except Exception:
            number = None  # not even a word
        return self._new_id(_text(name) or "unnamed") if number is None else number

    def _new_id(self, text):
        number = self._ids.get(text)
        if number is None:
            number = len(self._names)
            if number >= MOST_NAMES:
                return _TOO_MANY  # names made up on the fly: they would fill the memory
            self._names.append(_quoted(text))
            self._ids[text] = number
        return number

    def _open(self, folder, name, cost):
        try:
            os.mkdir(folder)
        except OSError:
            pass  # it is there, or the next lines will tell
        number = 1
        while self._file is None:
            self.path = "{}{}-{:03d}.csv".format(folder + "/" if folder else "", name, number)
            try:
                os.stat(self.path)
                number += 1
            except OSError:  # not there; "x" makes sure of it where the interpreter knows it
                self._file = open(self.path, "xb" if "cpython" in sys.implementation.name else "wb")
        self._put("# looptime-recorder: micropython 1\n# clock: monotonic\n")
        self._put("# row_cost_ns: {}\n# dropped: 0\n".format(cost))
        self._put(HEADER)
        self._file.flush()

    def _row_cost(self):
        """Return what one timed call costs here [ns]: two stamps and a row."""
        calls = min(self._size, 50)
        empty = Call(self, self._loop_code)
        costs = []
        for _ in range(5):
            begin = self._ticks() & _LARGEST
            for _ in range(calls):
                with empty:
                    pass
            took = (self._ticks() & _LARGEST) - begin
            costs.append(took if took >= 0 else took + self._top + 1)
            self._head = 0
        return sorted(costs)[2] * self._tick_us * 1000 // calls

    # ---- writing ------------------------------------------------------------------------------

    def _write(self):
        """Write the rows of finished loops; those of this loop move to the front."""
        if self._file is not None:
            for row in range(self._kept):
                self._put(self._line(row))
            self._put("# dropped: {}\n".format(self._lost))
            if self._ignored:
                self._put("# ignored: {}\n".format(self._ignored))
        if self._file is not None:
            try:
                self._file.flush()
            except OSError as problem:
                self._give_up(problem)
        rest = self._head - self._kept
        for column in (self._starts, self._lengths, self._loops, self._codes, self._values):
            for row in range(rest):
                column[row] = column[self._kept + row]
        self._written += self._kept
        self._head = rest
        self._kept = 0
        self._blocked = False

    def _line(self, row):
        period = self._top + 1
        slightly_back = period - period // 16  # some counters step back a little now and then
        start, length, code = self._starts[row], self._lengths[row], self._codes[row]
        if length > slightly_back:
            length = 0
        end = (start + length) % period
        step = (end - self._last) % period
        if step <= slightly_back:
            self._elapsed += step
            self._last = end
        mark = code & 3
        return "%d,main,%d,%s,%d,%d,%s,%s,%s\n" % (
            self._loops[row],
            self._written + self._gap + row,
            self._names[code >> 10],
            (self._elapsed - length) * self._tick_us,
            length * self._tick_us,
            self._names[code >> 2 & 0xFF],
            _MARKS[mark],
            _number(self._values[row]) if mark == _SIGNAL else "",
        )

    def _put(self, text):
        if self._file is not None:
            try:
                self._file.write(bytes(text, "utf-8"))
            except OSError as problem:
                self._give_up(problem)

    def _give_up(self, problem):
        file, self._file = self._file, None
        try:
            if file is not None:
                file.close()
        except OSError:
            pass  # it could not be written
        try:
            print("looptime recorder: no log from here on:", problem)
        except Exception:
            pass  # there is no console either


def _number(value):
    return "%.7g" % value if value - value == 0 else ""  # neither nan nor infinite


def _text(value):
    """Return the value as it is written: not too long, on one line, what UTF-8 can say."""
    try:
        text = str(value)
    except Exception:
        text = type(value).__name__
    return "".join([_letter(c) for c in text[:400]]).strip()


def _letter(c):
    code = ord(c)
    if code < 32 or 127 <= code < 160 or code in (0x2028, 0x2029):
        return " "
    return "?" if 0xD800 <= code < 0xE000 else c  # half of a letter


def _file_name(name):
    """Return a name for the file, in its folder and nowhere else."""
    return "".join(["-" if c in '/\\:*?"<>|' else c for c in _text(name)[:40]]) or "log"


def _quoted(text):
    """Return the text, which is one line, as a field of a comma-separated file (RFC 4180)."""
    if "," in text or '"' in text or text.startswith("#"):
        return '"' + text.replace('"', '""') + '"'
    return text
