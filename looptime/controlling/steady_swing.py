"""A value that swings on and on under its controller, also while its target moves.

Windows of many lengths are looked through for one line that holds nearly all of what the value does
near its frequency, and that the target does not have: what it has is followed and no swing of the
loop's own. The output has it, too: else something outside shakes the value.
"""

import math

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.stats.student import t_quantile

__all__ = ["Steady", "steady_swing"]

#: Shortest window [rows], and most rows that are looked through.
SHORTEST, MOST_ROWS = 64, 1 << 17
#: Fewest cycles in a window, fewest rows of a cycle, and fewest cycles in all.
LEAST_CYCLES, LEAST_CYCLE, LEAST_IN_ALL = 6, 3, 12
#: A line is judged among frequencies so many times lower and higher, and holds so much of their
#: power; in windows of few cycles, of few frequencies, chance makes one more easily.
AROUND, HOLDS, FEW, HOLDS_OF_FEW = 1.7, 0.8, 10, 0.87
#: Greatest amplitude of the target's line beside the value's, and its harmonics that are left out.
FOLLOWED, HARMONICS = 0.3, 5
#: Share of the output's power near a frequency from which it has part in the line.
TAKES_PART = 0.3
#: Least amplitude, as a share of the range and of the smallest step of the value.
LEAST_SHARE, LEAST_GRAIN = 0.002, 0.5
#: How far the frequencies of windows may differ that are one swing.
ALIKE = 0.12


@dataclass(frozen=True)
class Steady:
    """A line that a value has and its target does not."""

    frequency_hz: Figure
    amplitude: float  #: To each side, in the windows that have it
    output: float  #: Amplitude of the output's line
    takes_part: bool  #: Whether the output has the line, too
    begin_s: float  #: When the first window that has it begins, and the last one ends
    end_s: float
    cycles: int
    growth: float  #: Amplitude in the last third of the windows over that in the first


def steady_swing(
    time: Float, value: Float, output: Float, target: Float | None
) -> Steady | None:  # fmt: skip
    """How a value swings that its target does not make swing; None where no line stands out.

    Parameters
    ----------
    time, value, output, target : float array, shape (n,)
        When each row was logged [s], and what stands in it.

    Examples
    --------
    A heading that follows a weave of 0.2 Hz and hunts about it at 1.5 Hz.

    >>> time = 0.02 * np.arange(3000)
    >>> weave, hunt = 40 * np.sin(1.26 * time), 3 * np.sin(3 * np.pi * time)
    >>> found = steady_swing(time, weave + hunt, -hunt, weave)
    >>> round(found.frequency_hz.value, 2), round(found.amplitude, 1), found.takes_part
    (1.5, 3.0, True)
    >>> steady_swing(time, weave, np.gradient(weave), weave) is None
    True
    """
    step = float(np.median(np.diff(time))) if len(time) > 1 else 0.0
    if not step > 0:
        return None
    even = np.arange(time[0], time[-1], step)[:MOST_ROWS]
    if len(even) < SHORTEST:
        return None
    steps = np.abs(np.diff(value))
    grain = float(steps[steps > 0].min(initial=np.inf))
    least = max(LEAST_SHARE * float(np.ptp(value)), LEAST_GRAIN * grain)
    rows = [np.interp(even, time, one) for one in (value, output)]
    rows.append(np.zeros(len(even)) if target is None else np.interp(even, time, target))
    best, most = None, 0.0
    for power in range(SHORTEST.bit_length() - 1, len(even).bit_length()):
        lines = _lines(rows, 1 << power, least)
        group = _alike(lines)
        covered = int(_covers(lines[group], 1 << power, len(even)).sum())
        cycles = covered * float(np.median(lines[group, 1])) if len(group) else 0.0
        enough = covered >= 2 << power or cycles >= 2 * LEAST_IN_ALL
        if cycles >= LEAST_IN_ALL and enough and covered > most:
            best, most = _told(lines[group], 1 << power, step, float(even[0]), cycles), covered
    return best


def _lines(rows: list[Float], width: int, least: float) -> Float:
    """Windows with a line: first row, cycles a row, and the amplitudes of value and output.

    The last column is the share of the output's power near the line that the line holds.
    """
    first = np.arange(0, len(rows[0]) - width + 1, width // 2)
    value, output, target = (_power(one, first, width) for one in rows)
    made = []
    bins = np.arange(value.shape[1])
    inside = (bins >= LEAST_CYCLES) & (bins <= width // LEAST_CYCLE)
    for k, begin in enumerate(first):
        at = int(np.argmax(np.where(inside, value[k] * bins**2.0, 0.0)))
        line, near = slice(at - 1, at + 2), slice(int(at / AROUND), math.ceil(at * AROUND) + 1)
        mine, around = value[k, line].sum(), value[k, near].sum()
        wanted = HOLDS_OF_FEW if at < FEW else HOLDS
        if not inside[at] or mine < wanted * around or math.sqrt(mine) < least:
            continue
        if target[k, line].sum() > FOLLOWED**2 * mine or _harmonic(target[k], at, mine):
            continue
        part = output[k, line].sum() / max(output[k, near].sum(), 1e-300)
        made.append(
            (begin, _between(value[k], at) / width, mine**0.5, output[k, line].sum() ** 0.5, part)
        )
    return np.array(made).reshape(-1, 5)


def _power(values: Float, first: Int, width: int) -> Float:
    """Squares of amplitudes at each whole number of cycles, of each window without its bend."""
    x = np.linspace(-1, 1, width)
    bend, _ = np.linalg.qr(np.stack([np.ones(width), x, x * x, x**3], axis=1))
    part = values[first[:, None] + np.arange(width)]
    part = part - (part @ bend) @ bend.T
    taper = np.hanning(width)
    seen = np.abs(np.fft.rfft(part * taper, axis=1)) ** 2
    return np.asarray(4 * seen / (width * float((taper**2).sum())))


def _harmonic(target: Float, at: int, mine: float) -> bool:
    """Whether a line is a multiple of what the target does for the most part."""
    own = 1 + int(np.argmax(target[1 : at // 2 + 2]))
    if own < 2 or target[own - 1 : own + 2].sum() < mine:
        return False
    return any(abs(at - n * own) <= 1 + n / 2 for n in range(2, HARMONICS + 1))


def _between(power: Float, at: int) -> float:
    """The frequency of a line between whole numbers of cycles, seen through the taper."""
    side = 1 if power[at + 1] > power[at - 1] else -1
    share = math.sqrt(power[at + side] / power[at])
    return at + side * max((2 * share - 1) / (share + 1), 0.0)


def _alike(lines: Float) -> Int:
    """The windows of the frequency that most of them have."""
    if not len(lines):
        return np.zeros(0, np.int64)
    order = np.log(lines[:, 1])
    near = np.abs(order[:, None] - order) < ALIKE
    return np.flatnonzero(near[int(np.argmax(near @ lines[:, 2]))])


def _covers(lines: Float, width: int, count: int) -> Bool:
    made = np.zeros(count, dtype=bool)
    for begin in lines[:, 0].astype(int):
        made[begin : begin + width] = True
    return made


def _told(lines: Float, width: int, step: float, begin: float, cycles: float) -> Steady:
    rate = lines[:, 1] / step
    mean, n = float(rate.mean()), len(rate)
    # windows overlap by half: about half of them tell of their own
    half = 0.1 / (width * step)
    if n > 2:
        half += t_quantile(0.975, n // 2 + 1) * float(rate.std(ddof=1)) / math.sqrt(n / 2)
    third = max(n // 3, 1)
    return Steady(
        Figure(mean, mean - half, mean + half),
        float(np.sqrt((lines[:, 2] ** 2).mean())), float(np.sqrt((lines[:, 3] ** 2).mean())),
        bool(np.median(lines[:, 4]) >= TAKES_PART),
        begin + step * float(lines[0, 0]), begin + step * float(lines[-1, 0] + width),
        round(cycles), float(lines[-third:, 2].mean() / lines[:third, 2].mean()),
    )  # fmt: skip
