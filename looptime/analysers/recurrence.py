"""Stalls that come back: by which clock, how high, and the call behind them."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from looptime.analysers.basis import Basis
from looptime.analysers.call_costs import Costs
from looptime.analysers.contrast import Part, contrast
from looptime.analysers.slow import SlowEvent, SlowLoops
from looptime.errors import NotEnoughError
from looptime.schema import UNATTRIBUTED
from looptime.stats.arrays import median
from looptime.stats.beta import binomial_at_least
from looptime.stats.levels import IN_RUN
from looptime.stats.recurrence_test import Rhythm, logged_rhythm

__all__ = ["LOOP", "Pauses", "Recurrence", "Recurrences", "recurrence"]

Float = NDArray[np.float64]
Int = NDArray[np.integer]

#: What `Recurrence.of` says of the loop as a whole.
LOOP = "loop"
_MOST_SERIES = 6
_LEAST_BUMP = 0.03
_LEAST_PAUSES = 8
_FEWEST = 20


@dataclass(frozen=True)
class Recurrence:
    """Stalls that keep a rhythm.

    Parameters
    ----------
    of : str
        `LOOP`, or the call whose own time shows it.
    clock : str
        ``time``, ``loops`` or ``either`` where the two cannot be told apart.
    period_s : float [s]
    period_loops : float
    height_ms : float [ms]
        Median excess over the surroundings.
    events : int
        Stalls that keep the rhythm.
    call : str or None
        The call behind them; None where there is no single one.
    together : tuple of str
        Calls that make them up together, each time the same; empty where one call does, or where
        they fall into whatever call happens to run.
    parts : tuple of Part
        What makes them up, the largest first.
    p : float
        Adjusted for all that was looked at.
    loops : tuple of int
        Numbers of the first of these loops as logged.
    """

    of: str
    clock: str
    period_s: float
    period_loops: float
    height_ms: float
    events: int
    call: str | None
    parts: tuple[Part, ...]
    p: float
    loops: tuple[int, ...]
    together: tuple[str, ...] = ()


@dataclass(frozen=True)
class Pauses:
    """Stalls that hit whatever call happens to run, as when the whole process is held up.

    Parameters
    ----------
    count : int
    median_ms, longest_ms : float [ms]
        Their excess.
    every_s : float [s]
        Mean time from one to the next.
    ms_per_loop : float [ms]
        What they cost on average.
    loops : tuple of int
        Numbers of the loops, slowest first.
    """

    count: int
    median_ms: float
    longest_ms: float
    every_s: float
    ms_per_loop: float
    loops: tuple[int, ...]


@dataclass(frozen=True)
class Recurrences:
    """What comes back in a run, and pauses that belong to no call."""

    found: tuple[Recurrence, ...]
    pauses: Pauses | None
    note: str = ""


def recurrence(basis: Basis, costs: Costs, slow: SlowLoops) -> Recurrences:
    """Look for rhythms in the loop and in the calls that vary most, and for pauses of no call.

    The series share one level. A rhythm of the loop is put down to a call if that call holds
    half of the excess and holds the lead more often than its share of the time explains
    (binomial tail below 1 %); otherwise to none.

    Parameters
    ----------
    basis : Basis
        The run, and what was found of it first.
    costs : Costs
        From `looptime.analysers.call_costs.costs`.
    slow : SlowLoops
        From `looptime.analysers.slow.slow_events`.

    References
    ----------
    H-test for periodic events, see `looptime.stats.recurrence_test`.
    """
    at = basis.run.loop_columns
    if not len(at):
        return Recurrences((), None, "there are no loops")
    codes = _worth_a_look(basis, costs)
    level = IN_RUN.rhythm / (1 + _MOST_SERIES)
    tick = basis.run.clock.tick_ns / 1e6

    def look(code: int | None) -> Rhythm:
        values = basis.judged_ms if code is None else _self_series(basis, code)
        return logged_rhythm(values, at.start_ns, at.period_ns, level, tick)

    try:
        with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:  # most of it is transforms
            whole, *own_rhythms = pool.map(look, [None, *codes])
    except NotEnoughError as error:
        return Recurrences((), None, str(error))
    found = []
    if whole.found:
        found.append(_of_loop(basis, whole, slow))
    found += [r for r in _in_every_few_loops(basis, costs) if not _known(r.period_loops, found)]
    for code, own in zip(codes, own_rhythms, strict=True):
        if not own.found:
            continue
        name = basis.run.names[code].name
        made = _result(basis, name, own, name, ())
        rarer = [k for k, at in enumerate(found) if _is_rarer_and_higher(made, at)]
        # the loop's beat came from mixing these stalls with smaller ones between them, or from
        # what stands out of its noise only now and then
        theirs = rarer or [
            k for k, at in enumerate(found) if _shows_through(made, at, len(basis.run))
        ]
        if theirs:
            found[theirs[0]] = made
        elif not _known(own.period_loops or 0.0, found):
            found.append(made)
    explained = {r.call for r in found}
    return Recurrences(tuple(found), _pauses(basis, costs, slow, explained))


def _worth_a_look(basis: Basis, costs: Costs) -> list[int]:
    """Calls whose own time varies enough to carry a rhythm that matters, most first."""
    usual = median(basis.judged_ms)
    codes = {n.name: k for k, n in enumerate(basis.run.names)}
    weights = []
    for call in costs.calls:
        if not call.on_loop_thread or call.share is None:
            continue
        rare = 0 < call.calls_per_loop < 0.3 and call.count >= 6
        weight = max(call.variance_share or 0.0, call.share if rare else 0.0)
        bump = (call.max_ms or 0.0) - (0.0 if rare else call.p50_ms or 0.0)
        if bump < _LEAST_BUMP * usual:  # too small to matter to the loop
            continue
        if weight >= 0.02 or (rare and call.share >= 0.002):
            weights.append((weight, codes[call.name]))
    return [code for _, code in sorted(weights, reverse=True)[:_MOST_SERIES]]


def _self_series(basis: Basis, code: int) -> Float:
    return basis.table.series(code) / 1e6


def _in_every_few_loops(basis: Basis, costs: Costs) -> list[Recurrence]:
    """Calls made in every second or third loop: too often to be events, and exact as they are."""
    groups: dict[int, list[int]] = {}
    codes = {n.name: k for k, n in enumerate(basis.run.names)}
    made = {}
    for call in costs.calls:
        if call.share is None or not 0.3 <= call.calls_per_loop <= 0.55 or call.count < _FEWEST:
            continue
        code = codes[call.name]
        loops = np.unique(basis.pieces.loop[basis.pieces.name == code])
        gaps = np.diff(loops)
        step = int(np.median(gaps)) if len(gaps) else 0
        if step >= 2 and np.mean(gaps == step) >= 0.95:
            groups.setdefault(step, []).append(code)
            made[code] = loops
    return [_regular(basis, step, made[codes[0]]) for step, codes in sorted(groups.items())]


def _regular(basis: Basis, step: int, loops: Int) -> Recurrence:
    mask = np.zeros(len(basis.run), bool)
    mask[loops] = True
    parts = contrast(basis, mask, ~mask)
    total = sum(p.ms for p in parts)
    names = _most_of(parts, total) if total > 0 else (parts[0].name,)
    number = basis.run.loop_columns.loop
    return Recurrence(
        LOOP, "loops", step * basis.run.duration_s / len(basis.run), float(step), total,
        len(loops), names[0] if len(names) == 1 else None, parts[:3], 0.0,
        tuple(int(number[k]) for k in loops[:20]), names if len(names) > 1 else (),
    )  # fmt: skip


def _known(period_loops: float, found: list[Recurrence]) -> bool:
    """Whether a rhythm is one that is already listed: the same beat or a multiple of it."""
    for other in found:
        ratio = period_loops / other.period_loops
        if abs(ratio - 1) < 0.02 or (ratio > 1.5 and abs(ratio - round(ratio)) < 0.02):
            return True
    return False


def _is_rarer_and_higher(own: Recurrence, at: Recurrence) -> bool:
    """Whether a call's own rhythm is a multiple of the loop's that was put down to it, and higher.

    Smaller events that fall in step with the stalls shorten the period found in the loop's series
    and pull its median height down; in the call's own series there is nothing to mix with.
    """
    ratio = own.period_loops / at.period_loops
    multiple = ratio > 1.5 and abs(ratio - round(ratio)) < 0.02 * ratio
    return at.of == LOOP and at.call == own.call and multiple and own.height_ms > 2 * at.height_ms


def _shows_through(own: Recurrence, at: Recurrence, loops: int) -> bool:
    """Whether a call keeps a beat in full, of which the loop's noise lets few events stand out."""
    same = abs(own.period_loops / at.period_loops - 1) < 0.02
    return at.of == LOOP and same and at.events < 0.5 * min(own.events, loops / at.period_loops)


def _result(
    basis: Basis, of: str, at: Rhythm, call: str | None, parts: tuple[Part, ...]
) -> Recurrence:
    columns = basis.run.loop_columns
    assert at.period_s is not None
    assert at.period_loops is not None
    # a phase may lie in several stretches: loops and seconds are tied by the loops' own length
    loop_s = basis.run.duration_s / len(basis.run)
    if at.clock == "loops":
        gaps = np.diff(at.events) / at.period_loops
        period_s, period_loops = at.period_loops * loop_s, at.period_loops
    else:
        gaps = np.diff(columns.start_ns[at.events]) / 1e9 / at.period_s
        period_s, period_loops = at.period_s, at.period_s / loop_s
    beats = _beats_between(gaps)
    return Recurrence(
        of, at.clock, beats * period_s, beats * period_loops, at.height or 0.0, len(at.events),
        call, parts, at.p, tuple(int(columns.loop[k]) for k in at.events[:20]),
    )  # fmt: skip


def _beats_between(gaps: Float) -> int:
    """Periods from one event to the next: above 1, the period found is a fraction of the true one.

    Few events can look most regular at a multiple of their own rate. It is taken for one only if
    hardly any two events are a single period apart, and most are the same number of periods apart.
    """
    if len(gaps) < 4 or np.mean(gaps > 1.5) < 0.8:
        return 1
    beats = max(round(float(np.median(gaps))), 1)
    return beats if np.mean(np.abs(gaps - beats) < 0.5) >= 0.5 else 1


def _of_loop(basis: Basis, at: Rhythm, slow: SlowLoops) -> Recurrence:
    n = len(basis.run)
    mask = np.zeros(n, bool)
    mask[at.events] = True
    if not basis.typical.any():
        return _result(basis, LOOP, at, None, ())
    parts = contrast(basis, mask, basis.typical & ~mask if (basis.typical & ~mask).any() else ~mask)
    total = sum(p.ms for p in parts)
    top = max(parts, key=lambda p: p.ms)
    near = mask.copy()  # two loops to either side
    for d in (1, 2):
        near[d:] |= mask[:-d]
        near[:-d] |= mask[d:]
    led = [e for e in slow.events if near[e.index]]
    if top.ms >= 0.5 * total > 0:
        if top.name == UNATTRIBUTED or not _beyond_its_share(basis, top.name, led):
            return _result(basis, LOOP, at, None, parts[:3])
        return _result(basis, LOOP, _of_call(basis, at, top.name), top.name, parts[:3])
    result = _result(basis, LOOP, at, None, parts[:3])
    many = [e for e in led if e.cause in ("several calls", "everything at once")]
    if len(many) >= 0.5 * len(led):
        result = replace(result, together=_most_of(parts, total))
    return result


def _of_call(basis: Basis, at: Rhythm, name: str) -> Rhythm:
    """The rhythm with only those events in whose loops the call was made."""
    made = basis.table.series(_code_of(basis, name))[at.events] > 0
    return replace(at, events=at.events[made]) if made.any() else at


def _code_of(basis: Basis, name: str) -> int:
    return next(k for k, n in enumerate(basis.run.names) if n.name == name)


def _most_of(parts: tuple[Part, ...], total: float) -> tuple[str, ...]:
    """Names that hold nine tenths of a difference, the largest first."""
    names, held = [], 0.0
    for part in sorted(parts, key=lambda p: -p.ms):
        if held >= 0.9 * total or part.ms <= 0:
            break
        names.append(part.name)
        held += part.ms
    return tuple(names)


def _share_of(basis: Basis, name: str) -> float:
    total = float(basis.judged_ns.sum())
    if name == UNATTRIBUTED:
        return float(basis.unattributed_ns.sum()) / total if total > 0 else 0.0
    own = float(basis.table.series(_code_of(basis, name)).sum())
    return own / total if total > 0 else 0.0


def _beyond_its_share(basis: Basis, name: str, events: list[SlowEvent]) -> bool:
    """Whether a name leads more events than its share of the time explains."""
    count = sum(e.culprit == name for e in events)
    if not events:
        return True
    share = min(max(_share_of(basis, name), 1e-9), 1.0 - 1e-9)
    return count > 0 and binomial_at_least(count, len(events), share) < 0.01


def _pauses(
    basis: Basis, costs: Costs, slow: SlowLoops, explained: set[str | None]
) -> Pauses | None:
    """Large events whose leaders are spread over the calls as the time is."""
    typical = slow.typical_ms or 0.0
    large = [
        e
        for e in slow.events
        if e.excess_ms >= 0.3 * typical and e.cause in ("one call", "outside all calls")
    ]
    shares = {c.name: c.share or 0.0 for c in costs.rows}
    left = [e for e in large if e.culprit not in explained]
    # a name that leads far more often than its share is a culprit of its own
    for name in {e.culprit for e in left}:
        count, n = sum(e.culprit == name for e in left), len(left)
        share = min(max(shares.get(name, 0.0), 1e-9), 1.0 - 1e-9)
        if binomial_at_least(count, n, share) < 0.001 / max(len(shares), 1):
            left = [e for e in left if e.culprit != name]
    leaders = {e.culprit for e in left}
    if len(left) < _LEAST_PAUSES or len(leaders) < 2:
        return None
    excess = sorted(e.excess_ms for e in left)
    at = basis.run.loop_columns.loop
    return Pauses(
        len(left),
        excess[(len(excess) - 1) // 2],
        excess[-1],
        basis.run.duration_s / len(left),
        sum(excess) / len(basis.run),
        tuple(int(at[e.index]) for e in sorted(left, key=lambda e: -e.excess_ms)[:20]),
    )
