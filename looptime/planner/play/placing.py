"""Where work that goes by the clock falls when the loop around it has changed.

Each such call is due at an instant of the wall clock and is made in the first loop that looks
after that. A pause of the program strikes whatever is running. What is made delays all that
follows, so the instants are found one after the other.
"""

from bisect import bisect_left
from dataclasses import field

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.planner.known.call_clock import CallClock
from looptime.planner.known.timeline import Copies
from looptime.planner.play.draft import Draft
from looptime.records import dataclass

__all__ = ["Placed", "place"]


@dataclass
class Placed:
    """What `place` found."""

    #: Of each stretch, with pauses and long turns put back where they now fall, shape (e,) [ns].
    length: Float
    absent: Bool  #: shape (e,)
    keep: Bool  #: shape (m,)
    copies: Copies


@dataclass
class _Source:
    """One thing that goes by the clock.

    `times` are the instants at which it could be made, if nothing that goes by the clock were
    made before; `took` is how long its k-th turn takes, or, with `own`, its turn at that site.
    """

    kind: str
    times: list[float]
    site: Int
    took: list[float]
    rule: str
    interval: float
    due: float
    dues: list[float] = field(default_factory=list)
    every: float = 1.0
    own: bool = False
    rows: Int = field(default_factory=lambda: np.empty(0, np.int64))
    turn: int = 0
    low: int = 0
    at: list[int] = field(default_factory=list)
    used: list[int] = field(default_factory=list)
    when: list[float] = field(default_factory=list)

    def next_due(self, now: float, took: float) -> float:
        if self.rule in ("since start", "since end"):
            return now + self.interval + (took if self.rule == "since end" else 0.0)
        if self.rule == "timetable":
            return self.due + self.interval * max(1, int((now - self.due) // self.interval) + 1)
        lap, place = divmod(self.turn, len(self.dues))
        return self.dues[place] + lap * self.interval


def place(draft: Draft, added: Float | None = None) -> Placed:
    """Put everything that goes by the clock where it now falls.

    Parameters
    ----------
    draft : Draft
        After all changes.
    added : float64 array, shape (e,) [ns], optional
        Waits found by a simulation, which stretch the loop.
    """
    length, absent, keep = draft.length.copy(), draft.absent.copy(), draft.keep.copy()
    pulsed = [p for r in draft.pulses.values() if (p := _long_turns(draft, r, length)) is not None]
    timed = [(code, draft.rows([code])) for code in draft.timed]
    timed = [(code, rows) for code, rows in timed if len(rows)]
    for _, rows in timed:
        absent[draft.stretches(rows)[0]] = True
        keep[draft.inside(rows)] = False
    moves = [(m.call, m.after, draft.line.loop[m.call]) for m in draft.moves]
    if not (timed or pulsed or len(draft.known.rhythms.pauses)):
        return Placed(length, absent, keep, _sorted(moves))
    base = np.where(absent, 0.0, length)
    if added is not None:
        base += added
    if draft.moves:
        base = _with_moves(draft, base, length)
    after = np.cumsum(base)
    sources = [_timed_source(draft, code, rows, after, length) for code, rows in timed]
    sources += [_pulse_source(draft, *p, after, base) for p in pulsed]
    pauses = _pause_source(draft, after)
    if pauses is not None:
        sources.append(pauses)
    _schedule([s for s in sources if s.times])
    for source in sources:
        if source.kind == "pulse":
            np.add.at(length, source.site[source.at], np.array(source.took)[source.used])
        elif source.kind == "pause":
            _strike(draft, source, length, after, base)
        elif source.at:
            at = np.array(source.at)
            call = source.rows[at] if source.own else source.rows[np.array(source.used)]
            loop = draft.line.loop[call] if source.own else np.arange(draft.line.n)[at]
            moves.append((call, source.site[at], loop))
    return Placed(length, absent, keep, _sorted(moves))


def _sorted(moves: list[tuple[Int, Int, Int]]) -> Copies:
    if not moves:
        return Copies()
    call, after, loop = (np.concatenate([m[i] for m in moves]) for i in range(3))
    order = np.argsort(after, kind="stable")
    return Copies(call[order], after[order], loop[order])


def _with_moves(draft: Draft, base: Float, length: Float) -> Float:
    """Moved calls count where they go."""
    for move in draft.moves:
        at, which = draft.stretches(move.call)
        took = np.bincount(which, weights=length[at], minlength=len(move.call))
        np.add.at(base, move.after, took)
    return base


def _schedule(sources: list[_Source]) -> None:
    """Make each due thing at its first site after it is due; what is made delays what follows."""
    shift = 0.0
    reached = float("-inf")
    while True:
        best: _Source | None = None
        best_time, best_site = float("inf"), 0
        for source in sources:
            site = bisect_left(source.times, max(source.due - shift, reached), source.low)
            if site < len(source.times) and source.times[site] < best_time:
                best, best_time, best_site = source, source.times[site], site
        if best is None:
            return
        reached = best_time
        used = best_site if best.own else int(best.turn * best.every) % len(best.took)
        best.at.append(best_site)
        best.used.append(used)
        best.when.append(best.due - shift)
        now = best_time + shift
        shift += best.took[used]
        best.turn += 1
        best.due = best.next_due(now, best.took[used])
        best.low = best_site if best.kind == "pause" else best_site + 1


def _timed_source(draft: Draft, code: int, rows: Int, after: Float, length: Float) -> _Source:
    """A call that is made by the clock."""
    rhythm, line = draft.timed[code], draft.line
    at, which = draft.stretches(rows)
    took = np.bincount(which, weights=length[at], minlength=len(rows))
    own = code in draft.own_loop
    site = line.first[rows] - 1 if own else _anchors(draft, rows)
    times = after[site]
    recorded = _start(draft, rhythm.rows if len(rhythm.rows) else rows)
    interval = rhythm.interval_ns
    before = draft.known.rhythms
    was = next((r for r in before.calls if r.code == code and not r.pulses), None)
    every = 1.0
    if was is not None and was.interval_ns and interval and not own:
        every = interval / was.interval_ns
    source = _Source(
        "call", times.tolist(), site, took.tolist(), rhythm.rule or "recorded",
        interval or 0.0, float(recorded[0]), every=every, own=own, rows=rows,
    )  # fmt: skip
    if source.rule == "timetable" and every == 1.0 and interval:
        source.due = float((recorded - interval * np.arange(len(recorded))).min())
    if source.rule == "recorded":
        _as_recorded(draft, source, recorded)
    return source


def _as_recorded(draft: Draft, source: _Source, recorded: Float) -> None:
    """Due when it was recorded, and over again should the run become longer."""
    loops = draft.known.run.loop_columns
    source.dues = recorded.tolist()
    source.interval = float(loops.start_ns[-1] + loops.period_ns[-1] - loops.start_ns[0])
    source.due = source.dues[0]


def _start(draft: Draft, rows: Int) -> Float:
    return draft.known.run.call_columns.start_ns[draft.line.row[rows]].astype(float)


def _anchors(draft: Draft, rows: Int) -> Int:
    """The stretch of each loop after which a call is made, going by what mostly came before it."""
    line = draft.line
    first = line.first[rows]
    before = np.where(first >= 2, line.owner[np.maximum(first - 2, 0)], -2)
    outer = line.owner[first - 1]
    is_first = (outer >= 0) & (line.first[np.maximum(outer, 0)] == first - 1)
    neighbour = np.where(is_first, outer, before)
    known = neighbour >= 0
    anchors = line.begin.copy()
    if not known.any():
        return anchors
    names = line.name[neighbour[known]] * 2 + is_first[known]
    most = int(np.bincount(names).argmax())
    if (names == most).sum() * 2 < len(rows):
        return anchors
    code, inner = divmod(most, 2)
    if code in draft.timed:
        return anchors
    calls = np.flatnonzero(line.name == code)
    place = line.first[calls] if inner else line.last[calls]
    in_loop = place <= line.end[line.loop[calls]]
    anchors[line.loop[calls[in_loop]]] = place[in_loop]
    return anchors


def _long_turns(
    draft: Draft, rhythm: CallClock, length: Float
) -> tuple[CallClock, Int, Float] | None:
    """Take the long turns of a call out of it; returns where they could come back, and how long."""
    rows = np.flatnonzero((draft.name == rhythm.code) & draft.keep)
    if not len(rows) or rhythm.code in draft.timed:
        return None
    long = np.isin(rows, rhythm.rows)
    if long.all():
        return None
    calm = np.flatnonzero(~long)
    nearest = calm[np.maximum(np.searchsorted(calm, np.flatnonzero(long)) - 1, 0)]
    at = draft.line.first[rows]
    excess = np.maximum(length[at[long]] - length[at[nearest]], 0.0)
    if not len(excess):  # thinned out to the calm ones: the long turns are still due
        every = draft.line.first[rhythm.rows]
        recorded = draft.known.line.length
        usual = float(
            np.median(recorded[draft.line.first[np.flatnonzero(draft.line.name == rhythm.code)]])
        )
        excess = np.maximum(recorded[every] - usual, 0.0)
    else:
        length[at[long]] -= excess
    return rhythm, rows, excess


def _pulse_source(
    draft: Draft, rhythm: CallClock, rows: Int, excess: Float, after: Float, base: Float
) -> _Source:
    site = draft.line.first[rows]
    recorded = _start(draft, rhythm.rows)
    source = _Source(
        "pulse", (after[site] - base[site]).tolist(), site, excess.tolist(),
        rhythm.rule or "recorded", rhythm.interval_ns or 0.0, float(recorded[0]),
    )  # fmt: skip
    if source.rule == "timetable" and rhythm.interval_ns:
        steps = rhythm.interval_ns * np.arange(len(recorded))
        source.due = float((recorded - steps).min())
    if source.rule == "recorded":
        _as_recorded(draft, source, recorded)
    return source


def _pause_source(draft: Draft, after: Float) -> _Source | None:
    pauses = draft.known.rhythms.pauses
    if not len(pauses):
        return None
    source = _Source(
        "pause", after[draft.line.end].tolist(), draft.line.end, pauses.excess.tolist(),
        "recorded", 0.0, 0.0,
    )  # fmt: skip
    middle = draft.known.line.length[pauses.stretch] / 2
    _as_recorded(draft, source, pauses.time + middle)
    return source


def _strike(draft: Draft, source: _Source, length: Float, after: Float, base: Float) -> None:
    """Lengthen what is running at the instant of each pause."""
    loop = np.array(source.at, np.int64)
    begun = after[draft.line.begin[loop]]
    when = np.clip(np.array(source.when), begun, after[draft.line.end[loop]])
    at = np.searchsorted(after, when)
    at = np.clip(at, draft.line.begin[loop] + 1, draft.line.end[loop])
    # a stretch without length is not running: take the next that is, within the loop
    alive = np.flatnonzero(base > 0)
    following = np.searchsorted(alive, at)
    running = np.where(following < len(alive), np.append(alive, 0)[following], at)
    at = np.minimum(running, draft.line.end[loop])
    np.add.at(length, at, np.array(source.took)[source.used])
