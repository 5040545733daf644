"""Steps in a clock told apart: wraps, restarts, jumps, small backward steps, corrupt stamps."""

from dataclasses import field, replace

import numpy as np

from looptime.array_types import Bool, Int
from looptime.parsers.text.datetimes import CLOCK, DAY_NS
from looptime.records import dataclass
from looptime.units import NS_PER_MS, NS_PER_S, NS_PER_US

__all__ = ["Step", "Steps", "Way", "find_steps", "jump_from", "known_moduli", "typical_step"]

#: A step back to where the clock would be within so many typical steps is no accident.
NEAR = 20
#: A forward step longer than this [ns] and than so many typical steps is no stall.
JUMP_NS = 10 * NS_PER_S
JUMP_STEPS = 20
_POWERS = (16, 24, 29, 30, 31, 32)
# processor clocks [MHz] whose 32-bit counters, divided to microseconds, wrap below 2**32
_MHZ = (16, 20, 24, 48, 64, 72, 80, 84, 96, 100, 108, 120, 125, 133, 150, 160, 168, 180, 200, 216,
        240, 250, 300, 400, 480, 500, 600)  # fmt: skip
_OF_CLOCKS = {2**32 * 1000 // mhz: f"2^32 ticks of a {mhz} MHz counter" for mhz in _MHZ}
# so many, and short ones, that a run which begins anew often looks like one of them
_SHORT = {2**20 * NS_PER_US: "2^20 us (1.049 s)", NS_PER_S: "1 s (fractions of a second alone)"}
_RARE = {**_OF_CLOCKS, **_SHORT}
#: Instants cut to so many digits, told by so many wraps that are this share of the steps back.
_DIGITS, _CUT, _CUTS, _MOSTLY = range(4, 10), "the last digits alone", 5, 0.7
_LOOPS_A_WRAP = 15
#: Corrupt stamps in a row; a longer stretch is a clock that was set.
_LONGEST_CORRUPT = 3
#: Usual steps by which a row out of order may lie before all that stand around it.
_FAR_BACK = 8
#: Counters wrap later than this [ns]: 2^32 ticks of 1 GHz; what is shorter is on the list.
_SHORTEST_LEARNED = 2**32
#: Where more rows than this share step back, and fewer than this share of them by one length,
#: nothing is learned of that.
_STRAY = 0.1
#: What chance does not bring about.
_NEVER = 1e-6
#: A counter of seconds holds more loops than this.
_FEW_LOOPS = 6
#: Wraps from which on a stall may lie across another.
_OFTEN = 20
#: Clocks that start this late [ns] count from a calendar's zero.
CALENDAR_NS = 10**17


@dataclass(frozen=True)
class Step:
    """One step: the place after it, what it is, its size and a remark."""

    at: int
    kind: str
    size_ns: int
    note: str


@dataclass(frozen=True)
class Way:
    """How a clock's values came about."""

    unit: str  #: Name of its unit
    unit_ns: int  #: Nanoseconds in one
    number: Int | None = None  #: The loop's number beside each stamp, shape (n,)
    #: Places before which the log has lines that are no rows: a new header, remarks; shape (k,).
    broken: Int = field(default_factory=lambda: np.empty(0, np.int64))


@dataclass
class Steps:
    """What was found in one series of instants."""

    steps: list[Step] = field(default_factory=list)  #: Wraps, restarts and jumps, in order
    #: From which place on how many nanoseconds must be added.
    shift: list[tuple[int, int]] = field(default_factory=list)
    #: Places of stamps that are wrong, and of rows that stand out of order.
    corrupt: list[int] = field(default_factory=list)
    swapped: list[int] = field(default_factory=list)

    @property
    def cuts(self) -> list[Step]:
        """Steps at which one run ends and another begins."""
        return [step for step in self.steps if step.kind in ("restart", "jump")]


def typical_step(time: Int) -> float:
    """Median of the steps forward [ns], 1 where there is none.

    Examples
    --------
    >>> import numpy as np
    >>> typical_step(np.array([0, 10, 20, 5, 16]))
    10.0
    """
    part = time if len(time) <= 200_000 else time[:200_000]
    step = np.diff(part)
    step = step[step > 0]
    return float(np.median(step)) if len(step) else 1.0


def jump_from(typical: float) -> float:
    """Shortest step forward that is a jump [ns]."""
    return max(JUMP_NS, JUMP_STEPS * typical)


def known_moduli(way: Way) -> list[tuple[int, str]]:
    """Moduli at which counters wrap [ns], with their names.

    Examples
    --------
    >>> dict(known_moduli(Way("ms", 10**6)))[4294967296000]
    '2^32 us (71.58 min)'
    """
    if way.unit == CLOCK:
        return [(DAY_NS, "midnight"), (DAY_NS // 2, "twelve hours")]
    found: dict[int, str] = {}
    ticks = {way.unit_ns: "ticks", NS_PER_US: "us", NS_PER_MS: "ms"}
    for power in reversed(_POWERS):
        for ns, name in ticks.items():
            size = 2**power * ns
            length = size / NS_PER_S
            hours = f"{length / 3600:.5g} h" if length >= 7200 else f"{length / 60:.4g} min"
            shown = hours if length >= 120 else f"{length:.4g} s"
            found.setdefault(size, f"2^{power} {name} ({shown})")
    for size, name in _RARE.items():
        found.setdefault(size, name)
    for digits in _DIGITS:
        found.setdefault(10**digits * way.unit_ns, f"10^{digits} {way.unit} ({_CUT})")
    return list(found.items())


def find_steps(
    time: Int, way: Way, events: Int | None = None, typical: float | None = None
) -> Steps:
    """Find and tell apart the steps of a clock.

    Parameters
    ----------
    time : int64 array, shape (n,) [ns]
        Instants in the order of the log, as printed.
    way : Way
        What is known of the clock.
    events : int array, shape (k,), optional
        Places before which the clock stepped back or far ahead; found here by default.
    typical : float, optional
        Typical step [ns]: the loop period, where the series has many values in a loop.

    Examples
    --------
    A 16-bit counter of milliseconds, and a clock that began anew:

    >>> import numpy as np
    >>> ticks = np.arange(0, 150_000, 20)
    >>> found = find_steps(ticks % 65_536 * 10**6, Way("ms", 10**6))
    >>> [(step.kind, step.at, step.note) for step in found.steps][0]
    ('wrap', 3277, 'wraps at 2^16 ms (65.54 s)')
    >>> found = find_steps(np.array([5, 15, 25, 35, 5, 15, 25]) * 10**6, Way("ms", 10**6))
    >>> [(step.kind, step.at, step.size_ns) for step in found.steps]
    [('restart', 4, -30000000)]
    """
    found = Steps()
    if len(time) < 3:
        return found
    typical = typical_step(time) if typical is None else typical
    if events is None:
        step = np.diff(time)
        events = np.flatnonzero((step < 0) | (step > jump_from(typical))) + 1
    if not len(events):
        return found
    size = time[events] - time[events - 1]
    left = np.ones(len(events), bool)
    if len(events) < 0.1 * len(time):  # a wrap in every few steps would look like wrong stamps
        left = _odd_ones(time, events, size, left, typical, found, within=True)
    left = _wraps(time, events, size, left, typical, way, found)
    left = _odd_ones(time, events, size, left, typical, found)
    learned = _learned(time, events, np.where(left, size, 0), typical, way)
    if learned is not None and not any(step.kind == "wrap" for step in found.steps):
        fits, modulus, note = learned
        _wrap(events[fits], size[fits], modulus, note, found)
        left &= ~fits
    for k in np.flatnonzero(left):
        _cut(time, int(events[k]), int(size[k]), way, typical, found)
    found.steps.sort(key=lambda step: step.at)
    found.shift.sort()
    return found


def _wraps(
    time: Int,
    events: Int,
    size: Int,
    left: Bool,
    typical: float,
    way: Way,
    found: Steps,
) -> Bool:
    """Take out the wraps; returns which events are left."""
    left = left.copy()
    back = left & (size < 0)
    best: tuple[int, float, int, str] | None = None
    span = _span(time)
    for modulus, name in known_moduli(way):
        if modulus + way.unit_ns < span or not back.any():
            continue
        fits = back & _lands(size + modulus, modulus, typical, way) & _unbroken(events, way)
        cut = name.endswith(f"({_CUT})")
        if fits.sum() < (max(_CUTS, _MOSTLY * back.sum()) if cut else 1):
            continue
        if modulus in _RARE and not _told(time, events[fits], modulus, typical, way):
            continue
        apart = np.abs(size[fits] + modulus - typical)
        if (modulus in _RARE or cut) and np.median(apart) > 1.5 * typical:
            continue
        even = max(2 * float(np.median(apart)), _scatter(time, typical)) < typical
        wraps = int((back if fits.sum() >= _OFTEN else fits).sum())  # with stalls that wrap
        if not even and _never_full(span, modulus, wraps):
            continue
        if wraps >= _CUTS and NS_PER_S < modulus < _FEW_LOOPS * typical:
            continue  # loops of seconds: rows in no order, or of two logs in turn
        if cut and modulus < _LOOPS_A_WRAP * typical:
            phases = np.ptp(time[events[fits]]) > 0.5 * typical  # new runs begin alike
            if not phases or np.median(apart) > _scatter(time, typical):
                continue
        rest = float(np.mean(apart))
        if best is None or (fits.sum(), -rest) > (best[0], -best[1]):
            best = (int(fits.sum()), rest, modulus, name)
    if best is not None:
        modulus, name = best[2], best[3]
        fits = back & _lands(size + modulus, modulus, typical, way) & _unbroken(events, way)
        if fits.sum() >= _OFTEN:  # so often that a stall may lie across a wrap
            fits |= back & _stalled(time[events], size, modulus, typical) & _unbroken(events, way)
        many = fits.sum() > 50
        _wrap(events[fits], size[fits], modulus, f"wraps at {name}", found)
        if many and modulus <= 2**16 * NS_PER_US:
            k = next(k for k, step in enumerate(found.steps) if step.kind == "wrap")
            note = (
                f"{found.steps[k].note}, {int(fits.sum())} times: a gap longer than that cannot "
                "be told from a short one"
            )
            found.steps[k] = replace(found.steps[k], note=note)
        left &= ~fits
    # signed microseconds divided to milliseconds, then printed as unsigned
    lift = 2**32 * (way.unit_ns - NS_PER_US)
    if way.unit_ns > NS_PER_US:
        fits = left & (size > 0) & _lands(size - lift, lift, typical, way)
        _wrap(events[fits], size[fits], -lift, "signed 32-bit us printed as unsigned ms", found)
        left &= ~fits
    return left


def _told(time: Int, events: Int, modulus: float, typical: float, way: Way) -> bool:
    """Whether a step is more than the end of a run that happens to be about as long as a wrap.

    A new run whose clock starts at zero as well looks alike, and there are so many processor
    clocks that it often lands near one of them. The loop's number must go on, the log must have
    begun far from zero, or the wrap must be met again at another phase.
    """
    if way.number is not None and bool((way.number[events] > 0).all()):
        return True
    if time[0] > max(10 * typical, 0.2 * modulus):
        return True
    return len(events) >= 2 and float(np.ptp(time[events])) > 0.05 * typical


def _never_full(span: int, modulus: int, wraps: int) -> bool:
    """Whether a counter that wrapped so often never came near its end, as by no chance.

    Each time it passes through all its values; what steps back for another reason, as rows in no
    order do, leaves out those that the log does not hold. (Even loops may keep step with a wrap.)
    """
    return wraps >= _CUTS and bool((min(span, modulus) / modulus) ** wraps < _NEVER)


def _span(time: Int) -> int:
    """Range of the values but for the three lowest and the three highest."""
    if len(time) <= 12:
        return 0
    low, high = np.partition(time, [3, len(time) - 4])[[3, len(time) - 4]]
    return int(high) - int(low)


def _lands(rest: Int, modulus: int, typical: float, way: Way) -> Bool:
    """Whether a step, unwrapped, is a few typical steps; where numbers go on it may be a stall."""
    room = modulus if way.number is not None else max(modulus / 2, 1.5 * typical)
    return (rest >= 0) & (rest <= min(NEAR * typical, room))


def _stalled(after: Int, size: Int, modulus: int, typical: float) -> Bool:
    """Whether a step back is a stall across a wrap: a clock that begins anew does so next to zero.

    Of one that wraps every few loops nobody can tell a new beginning, and a wrap is far likelier.
    """
    rest = size + modulus
    apart = (after > 1.5 * typical) | (modulus <= NEAR * typical)
    return (rest >= 0) & (rest <= NEAR * typical) & apart


def _unbroken(events: Int, way: Way) -> Bool:
    """Events at which the loop's number goes on and no new header stands."""
    good = ~np.isin(events, way.broken)
    if way.number is not None:
        before, after = way.number[events - 1], way.number[events]
        good &= (before < 0) | (after < 0) | ((after >= before) & (after <= before + NEAR))
    return good


def _learned(
    time: Int, events: Int, size: Int, typical: float, way: Way
) -> tuple[Bool, int, str] | None:
    """A modulus that is on no list: last value before, first after, and the typical step.

    The first value after a wrap lies within a step of zero. One such step might be a new run
    whose clock starts at zero as well, so that either the loop's number must go on, or the first
    run must have started far from zero; or the same modulus must be met again at another phase, and
    that as closely as loops are even: runs of a fixed length differ by up to a loop.
    """
    after = time[events]
    low = (size < -5 * typical) & (after >= 0) & (after <= 1.5 * typical)
    low &= _unbroken(events, way)
    if not low.any():
        return None
    most = float(-size[low].min())  # the shortest step: the others fell into slower loops
    modulus = float(np.median(-size[low & (-size >= most - 1.5 * typical)])) + typical
    goes_on = way.number is not None and bool((way.number[events[low]] > 0).all())
    near = 1.5 * typical
    if not goes_on:
        if modulus < _SHORTEST_LEARNED:
            return None
        near = min(near, _scatter(time, typical) + 2 * way.unit_ns)
    same = low & (np.abs(-size + typical - modulus) <= near)
    if goes_on and same.any():
        same = (size < 0) & _lands(size + round(modulus), round(modulus), typical, way)
        same &= _unbroken(events, way)
    if not same.any() or not (goes_on or (same == low).all()):
        return None
    back = int((after < time[events - 1]).sum())
    if back > _STRAY * len(time) and same.sum() < _STRAY * back:  # rows in no order
        return None
    if not _told(time, events[same], modulus, typical, way):
        return None
    note = (
        f"wraps at {modulus / NS_PER_S:.7g} s, learned from {int(same.sum())} wrap(s): the last "
        "value before, the first after, and the typical step"
    )
    return same, round(modulus), note


def _scatter(time: Int, typical: float) -> float:
    """How far steps may lie from the typical one [ns]: twice what nine of ten keep to."""
    step = np.diff(time[:200_000])
    rising = step[step > 0]
    return 2 * float(np.percentile(np.abs(rising - typical), 90)) if len(rising) else 0.0


def _wrap(events: Int, size: Int, modulus: int, note: str, found: Steps) -> None:
    for at, step in zip(events.tolist(), size.tolist(), strict=True):
        found.steps.append(Step(at, "wrap", step, note))
        found.shift.append((at, modulus))


def _odd_ones(
    time: Int,
    events: Int,
    size: Int,
    left: Bool,
    typical: float,
    found: Steps,
    within: bool = False,
) -> Bool:
    """Take out single wrong stamps and rows out of order; returns which events are left.

    With `within` only those that have good stamps on both sides.
    """
    left = left.copy()
    place = {int(at): k for k, at in enumerate(events)}
    for k in np.flatnonzero(left & (size < 0)):
        if not left[k]:
            continue
        at = int(events[k])
        if -size[k] <= 64 * typical and _is_swapped(time, at, typical):
            found.swapped.append(at)
            left[k] = False
            continue
        wrong = _wrong(time, at, typical, within)
        if wrong is None:
            continue
        found.corrupt += list(range(*wrong))
        low = wrong[0]
        off = int(time[low]) - int(time[low - 1] if low else time[low + 1])
        found.steps.append(Step(low, "corrupt", off, "a single stamp out of line: set aside"))
        for edge in (wrong[0], at, wrong[1]):  # the way there and back is one event
            if edge in place:
                left[place[edge]] = False
    # a far step ahead and back again was taken with its step back
    return left


def _is_swapped(time: Int, at: int, typical: float) -> bool:
    """Whether sorting the rows around a step back makes them even."""
    part = time[max(0, at - 66) : at + 3]
    if time[max(0, at - 66) : at].min() - time[at] > _FAR_BACK * typical:
        return False  # far before all that there is: a counter that soon wraps
    step = np.diff(np.sort(part)).astype(np.int64)
    before = np.diff(part)
    usual = min(typical, float(np.median(step)))
    even = bool((step >= 0.5 * usual).all() and (before < 0).sum() < 8)
    return even and not _side_by_side(time, at)


def _side_by_side(time: Int, at: int) -> bool:
    """Whether the rows after a step back run beside those before it, as those of another run do.

    Rows out of order fill a few holes; each hole makes two changes from early to late rows.
    """
    before, after = time[max(0, at - 66) : at], time[at : at + 66]
    past = np.flatnonzero(after >= before[-1])
    after = after[: past[0]] if len(past) else after
    late = np.argsort(np.concatenate([before, after]), kind="stable") >= len(before)
    return int(np.count_nonzero(np.diff(late))) > 8


def _wrong(time: Int, at: int, typical: float, within: bool) -> tuple[int, int] | None:
    """Stamps that are wrong around a step back: the stretch without which the clock goes on."""
    choices = []
    for length in range(1, _LONGEST_CORRUPT + 1):
        most = (length + 4) * typical
        expected = (length + 1) * typical
        if at + length < len(time):  # too low after the step
            rest = int(time[at + length]) - int(time[at - 1])
            if 0 < rest <= most:
                choices.append((length, abs(rest - expected), at, at + length))
        if at - length - 1 >= 0:  # too high before it
            rest = int(time[at]) - int(time[at - length - 1])
            if 0 < rest <= most:
                choices.append((length, abs(rest - expected), at - length, at))
        if choices:
            break
    if not choices:
        if within:
            return None
        if at == 1 and time[1] <= time[2]:  # nothing before the first stamp to judge it by
            return (0, 1) if time[0] > time[-1] else None
        last = at == len(time) - 1 and time[at] < time[at - 1]
        return (at, at + 1) if last else None
    _, _, low, high = min(choices)
    return low, high


def _cut(time: Int, at: int, size: int, way: Way, typical: float, found: Steps) -> None:
    """A step that stays: the run ends there."""
    calendar = abs(int(time[0])) > CALENDAR_NS or way.unit == CLOCK
    goes_on = False
    if way.number is not None:
        before, after = int(way.number[at - 1]), int(way.number[at])
        goes_on = 0 <= before <= after <= before + NEAR
    if size < 0 and not calendar and not goes_on:
        found.steps.append(Step(at, "restart", size, "the clock began anew: a new run"))
        return
    way_there = "back" if size < 0 else "ahead"
    usual = ""
    if at + 2 < len(time) and 0 < time[at + 1] - time[at] <= 5 * typical:
        usual = " while rows went on at the usual pace"
    note = f"the clock was set {way_there}, or rows are missing{usual}: cut there into two runs"
    found.steps.append(Step(at, "jump", size, note))
