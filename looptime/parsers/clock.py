"""The log's clock: its unit, how that was known, and its tick."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from looptime.errors import LogError
from looptime.units import NS_PER_MS, NS_PER_S, NS_PER_US, UNITS

__all__ = ["Unit", "check_periods", "find_unit", "tick_of"]

#: Loop periods that a robot's loop can have [ns]: 20 us to 5 s.
SHORTEST_NS = 20 * NS_PER_US
LONGEST_NS = 5 * NS_PER_S
# the usual middle of it, where an inferred unit is to land: 0.4 ms to 0.4 s
_USUAL = (400 * NS_PER_US, 400 * NS_PER_MS)


@dataclass(frozen=True)
class Unit:
    """A time unit and who said so."""

    name: str
    ns: int
    said: str


def find_unit(
    header_unit: str | None,
    option: str | None,
    option_from: str,
    values: NDArray[np.float64],
    path: str,
    what: str = "time",
) -> Unit:
    """The unit of a time column.

    Parameters
    ----------
    header_unit : str or None
        Unit that the header names.
    option : str or None
        Unit that the caller gives; it wins.
    option_from : str
        ``option`` or ``project``.
    values : float64 array, shape (k,)
        First values of the column, to infer from: the steps of a clock, or durations.
    path, what : str
        For messages.

    Raises
    ------
    LogError
        If nobody says and no unit, or more than one, makes the values plausible.

    Examples
    --------
    >>> import numpy as np
    >>> find_unit(None, None, "option", np.full(9, 10.2), "a.csv").said
    'inferred: steps of 10.2 are plausible loop periods only in ms'
    """
    if option is not None:
        return Unit(option, UNITS[option], option_from)
    if header_unit is not None:
        return Unit(header_unit, UNITS[header_unit], "header")
    steps = values[values > 0]
    if not len(steps):
        raise LogError(f"the unit of {what} cannot be told: give it with --unit", path)
    typical = float(np.median(steps))
    fits = [name for name, ns in UNITS.items() if _USUAL[0] <= typical * ns <= _USUAL[1]]
    if len(fits) != 1:
        fits = [name for name, ns in UNITS.items() if SHORTEST_NS <= typical * ns <= LONGEST_NS]
        if len(fits) != 1:
            names = " or ".join(fits) if fits else "no unit"
            raise LogError(
                f"the unit of {what} cannot be told ({names} fits steps of {typical:g}): "
                "give it with --unit ns, us, ms or s",
                path,
            )
    said = f"inferred: steps of {typical:g} are plausible loop periods only in {fits[0]}"
    return Unit(fits[0], UNITS[fits[0]], said)


def check_periods(median_ns: float, unit: Unit, path: str) -> None:
    """Catch a unit that makes the loop absurdly fast or slow.

    Raises
    ------
    LogError
        With the units that would be plausible.
    """
    if SHORTEST_NS / 4 <= median_ns <= 4 * LONGEST_NS or unit.said in ("option", "project"):
        return
    raw = median_ns / unit.ns
    better = [name for name, ns in UNITS.items() if _USUAL[0] <= raw * ns <= _USUAL[1]]
    hint = (
        f"; --unit {better[0]} would make it {raw * UNITS[better[0]] / 1e6:.3g} ms"
        if better
        else ""
    )
    raise LogError(
        f"the {unit.said} says {unit.name}, but then a loop lasts {median_ns / 1e6:.3g} ms{hint}: "
        f"say which with --unit (--unit {unit.name} if it is right)",
        path,
    )


def tick_of(times: NDArray[np.int64], unit_ns: int) -> int:
    """Smallest step that a clock shows [ns].

    The greatest common divisor of the steps, found on a sample. A divisor above the column's unit
    is believed only where the steps are at least three different multiples of it: a perfectly
    even log says nothing of its clock.

    Parameters
    ----------
    times : int64 array, shape (k,) [ns]
        Instants in any order.
    unit_ns : int
        Nanoseconds in one unit of the column, the tick where there are no steps.

    Examples
    --------
    >>> import numpy as np
    >>> tick_of(np.array([0, 10_000_000, 21_000_000]), 1_000_000)
    1000000
    """
    sample = times if len(times) <= 200_000 else times[:: len(times) // 100_000]
    steps = np.abs(np.diff(sample))
    steps = steps[steps > 0]
    if not len(steps):
        return unit_ns
    divisor = int(np.gcd.reduce(steps))
    if divisor > unit_ns and len(np.unique(steps)) < 3:
        return unit_ns
    return divisor
