"""Two clocks in one row: the steadier one tells the loops' pace, the other is compared with it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.parsers.columns.evidence import CLOCK_WORDS, counts_rows, rises
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.columns.unit import Unit, text_unit
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.stats.autocorrelation import inflation
from looptime.units import NS_PER_S, UNITS

__all__ = ["Choice", "choose_clock", "names_clock", "second_clock"]

Int = NDArray[Any]
#: Columns by these words come from the board itself, and are taken where both are as steady.
_OWN = ("device", "board", "robot", "sensor", "fpga", "micros", "millis", "nanos", "mono")
_HOST = ("host", "wall", "utc", "received", "arrival", "pc", "laptop", "log", "date")
_ALIKE = 1.25
_PARTS = ("time", "clock", "stamp", "micros", "millis")


def second_clock(
    dialect: Dialect, main: Head, unit: Unit, taken: Collection[int]
) -> tuple[Head, Unit] | None:
    r"""Another column that keeps time with the log's clock.

    Parameters
    ----------
    dialect : Dialect
        How the log is written; its first rows decide.
    main, unit : Head, Unit
        The log's clock.
    taken : collection of int
        Columns that play a part already.

    Examples
    --------
    >>> from looptime.parsers.text.dialect import sniff
    >>> rows = "".join(f"{k * 20 + k % 3},{k * 20000}\n" for k in range(9))
    >>> like = sniff("host_time_ms,device_time_us\n" + rows, "a.csv")
    >>> one = heads(like.header)
    >>> second_clock(like, one[0], Unit("ms", 10**6, "header"), {0})[1].name
    'us'
    """
    step = _typical(dialect, main, unit, rising=False)
    if step is None or dialect.header is None:
        return None
    for head in heads(dialect.header[: dialect.fields]):
        if head.index in taken or not names_clock(head):
            continue
        other = _unit(dialect, head, step)
        if other is not None:
            return head, other
    return None


def names_clock(head: Head) -> bool:
    """Whether a header says that its column is a clock.

    Examples
    --------
    >>> [names_clock(head) for head in heads(("host_time_s", "timestamp", "gyro_ms"))]
    [True, True, False]
    """
    return head.word in CLOCK_WORDS or any(part in head.word for part in _PARTS)


def _typical(dialect: Dialect, head: Head, unit: Unit, rising: bool = True) -> float | None:
    """Mean step of a column's first rows [ns]; a mean bears a coarse or bunched clock."""
    if unit.stamp is not None and text_unit(dialect, head) is not None:
        import pyarrow as pa

        from looptime.parsers.text.datetimes import parse_stamps

        cells = [row[head.index] for row in dialect.sample[:500]]
        ns, ok, there = parse_stamps(pa.chunked_array([cells]), unit.stamp)
        values = ns[ok & there].astype(float)
    else:
        values = numbers(dialect, head.index) * unit.ns
        values = values[np.isfinite(values)]
    if len(values) < 5 or (rising and not rises(values)):
        return None
    if not rising:  # a clock that jitters by more than its steps goes back now and then
        mean = float(values[-1] - values[0]) / (len(values) - 1)
        return mean if mean > 0 else None
    step = np.diff(values)
    step = step[step >= 0]
    return float(step.mean()) or None


def _unit(dialect: Dialect, head: Head, main: float) -> Unit | None:
    """The unit in which a column advances as the main clock does."""
    text = text_unit(dialect, head)
    if text is not None:
        choices = [text]
    elif head.unit is not None:
        choices = [Unit(head.unit, UNITS[head.unit], "header")]
    else:
        if counts_rows(numbers(dialect, head.index)):
            return None
        said = "inferred: so it keeps time with the other clock"
        choices = [Unit(name, ns, said) for name, ns in UNITS.items()]
    for unit in choices:
        typical = _typical(dialect, head, unit)
        if typical is not None and 0.7 <= typical / main <= 1.4:
            return unit
    return None


@dataclass(frozen=True)
class Choice:
    """Which clock is used, and what `Clock.other` says of the one that is not."""

    swap: bool
    other: dict[str, object] | None


def choose_clock(
    first: Int, second: Int, heads_: tuple[Head, Head], unit: Unit, may_swap: bool = True
) -> Choice:
    """Judge two clocks by how even their steps are.

    Parameters
    ----------
    first, second : int64 array, shape (n,) [ns]
        Instants of the same rows.
    heads_ : (Head, Head)
        Their columns.
    unit : Unit
        Of the second.
    may_swap : bool
        Whether the second may be used in place of the first.

    Returns
    -------
    Choice
        `other` holds the `column` that is not used, its `skew_ppm` (how much faster it runs: the
        least-squares slope, with its 95 % interval) and its `jitter_ns` (standard deviation of
        its steps about those of the clock in use), and `used_column` and `used_jitter_ns`.

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.parsers.columns.headers import heads
    >>> device = 20_000_000 * np.arange(100)
    >>> host = device + 1_000_000 * (np.arange(100) % 3)
    >>> found = choose_clock(host, device, tuple(heads(("host_ms", "device_us"))),
    ...                      Unit("us", 1000, "header"))
    >>> found.swap, found.other["column"], round(found.other["jitter_ns"] / 1e6, 2)
    (True, 'host_ms', 1.41)
    """
    one, two = np.diff(first), np.diff(second)
    if not len(one) or (second == 0).sum() > 1:
        return Choice(False, None)
    longest = 10 * NS_PER_S
    fair = (one >= 0) & (two >= 0) & (one < longest) & (two < longest)
    if fair.sum() < 4 or not (one[fair].sum() > 0 and two[fair].sum() > 0):
        return Choice(False, None)
    one, two = one[fair].astype(float), two[fair].astype(float)
    spread = (float(one.std()), float(two.std()))
    swap = spread[1] * _ALIKE < spread[0]
    if not swap and spread[1] < spread[0] * _ALIKE:
        swap = _own(heads_[1]) and not _own(heads_[0])
    swap = swap and may_swap
    used, other = (two, one) if swap else (one, two)
    skew, error = _slope(np.cumsum(np.append(0.0, used)), np.cumsum(np.append(0.0, other)))
    jitter = float(np.std(other - skew * used))
    return Choice(swap, {
        "column": heads_[0 if swap else 1].text,
        "skew_ppm": {
            key: round(1e6 * (skew + side * 1.96 * error - 1), 3)
            for key, side in (("value", 0), ("low", -1), ("high", 1))
        },
        "jitter_ns": round(jitter),
        "used_column": heads_[1 if swap else 0].text,
        "used_jitter_ns": round(spread[1 if swap else 0]),
    })  # fmt: skip


def _slope(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Slope of the least-squares line and its standard error.

    Every stamp counts, not only the first and the last. Neighbouring stamps may err alike: the
    variance is stretched by what their correlation r does to it.
    """
    x, y = x - x.mean(), y - y.mean()
    slope = float(x @ y / (x @ x))
    rest = y - slope * x
    power = float(rest @ rest)
    r = float(rest[1:] @ rest[:-1]) / power if power > 0 else 0.0
    stretch = inflation(min(max(r, 0.0), 0.999))
    return slope, float(np.sqrt(stretch * power / max(1, len(x) - 2) / (x @ x)))


def _own(head: Head) -> bool:
    word = head.word
    return any(part in word for part in _OWN) and not any(part in word for part in _HOST)
