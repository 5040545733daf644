"""Which columns are the lengths that a unit is stated of above the rows, by name and by values."""

from collections.abc import Mapping, Sequence

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.against_steps import together
from looptime.parsers.columns.bare_columns import glides
from looptime.parsers.columns.lexicon import may_be_part, meaning, tokens
from looptime.parsers.columns.unit_fit import loop_ns, means_of
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.signal_names import names_reading, of_another_unit
from looptime.units import UNITS

__all__ = ["far_too_short", "lengths_in", "longer_than_loops"]

#: What a header says of its column that a stated unit may be of.
_LENGTHS = ("whole", "period", "busy", "latency", "deviation", "setting", "duration", "bare")
#: Fewest values that tell, and the share of their steps that shows them to rise, or to count.
_FEWEST, _MOSTLY = 3, 0.9
#: The least and the most of a loop that a stated unit makes of what may be a reading as well, or
#: of the longest length where there is no clock; and of what is named like nothing.
_LEAST, _NOTHING = 0.01, 0.0005
#: A length that is far longer than a loop.
_LONGER = 1.5
#: What of a sum's rest its missing addends explain, and how far from one their slopes are.
_EXPLAINED, _ONE = 0.9, 0.1
#: What all lengths together may be longer than the usual loop.
_ROOM = 0.05


def lengths_in(
    dialect: Dialect, open_: Sequence[int], unit: str, named: Mapping[str, str]
) -> list[int]:
    """Of columns without a unit, the lengths that a unit of the durations, or of all, is of.

    Names that are those of parts as well as of readings are lengths where their values may be.

    Parameters
    ----------
    dialect : Dialect
        Of the log.
    open_ : sequence of int
        Places of the columns.
    unit : str
        What is stated.
    named : mapping of str to str
        Units that are stated of columns by name.
    """
    header, made, signals = dialect.header or (), [], []
    for at in open_:
        means, values = means_of(dialect, at), numbers(dialect, at)
        words = tokens(header[at])
        if _counts(values) or not np.isfinite(values).any():
            continue
        timed = len(words) > 1 and words[0] in ("t", "dt")
        if names_reading(header[at]) and not timed:
            signals += [at] if means == "signal" and _may_last(values) else []
        elif means == "bare" or (timed and means == "signal"):
            made += [at] if _may_last(values) else []
        elif means in _LENGTHS and not of_another_unit(header[at]):
            made.append(at)
        elif means == "signal" and _may_last(values):
            signals.append(at)
    lengths = {at: numbers(dialect, at) for at in made}
    broken = [at for at, values in lengths.items()
              if meaning(header[at]) == "bare" and (values % 1 > 0).any()]  # fmt: skip
    if 2 * len(broken) < len(lengths):  # beside whole numbers, one with a fraction is another unit
        made = [at for at in made if at not in broken]
    loop = _loop(dialect, made, unit, named)
    if loop is not None:
        made = [at for at in made if meaning(header[at]) != "bare"
                or _share(dialect, at, unit, loop) >= _NOTHING]  # fmt: skip
    lengths = {at: numbers(dialect, at) for at in made}
    more = _in_a_sum(lengths, {at: numbers(dialect, at) for at in signals})
    likely = [at for at in signals if at not in more and may_be_part(header[at])]
    return sorted(made + more + _that_fit(dialect, likely, made + more, unit, loop))


def _loop(dialect: Dialect, made: list[int], unit: str, named: Mapping[str, str]) -> float | None:
    """How long a loop is by the clock, or at least by the longest of some lengths [ns]."""
    loop = loop_ns(dialect, dict(named))
    if loop is not None or not made:
        return loop
    return max(float(np.nanmedian(numbers(dialect, at))) for at in made) * UNITS[unit] * 10 or None


def _share(dialect: Dialect, at: int, unit: str, loop: float) -> float:
    return float(np.nanmedian(numbers(dialect, at))) * UNITS[unit] / loop


def _that_fit(
    dialect: Dialect, likely: list[int], made: list[int], unit: str, loop: float | None
) -> list[int]:
    """Of what may be parts or readings, those that fill a part of the loop with the others."""
    if loop is None:
        return []
    whole = all((numbers(dialect, at) % 1 == 0).all() for at in made)
    found = [at for at in likely if _LEAST <= _share(dialect, at, unit, loop) < 1
             and not (made and whole and (numbers(dialect, at) % 1 > 0).any())]  # fmt: skip
    parts = [at for at in made if meaning((dialect.header or ())[at]) in ("bare", "duration")]
    total = sum(_share(dialect, at, unit, loop) for at in [*parts, *found])
    return found if total <= 1 + _ROOM else []


def longer_than_loops(dialect: Dialect, units: Mapping[str, str], loop: float) -> bool:
    """Whether a length in its unit is far longer than a loop [ns]."""
    header = dialect.header or ()
    return any(
        _share(dialect, header.index(name), unit, loop) > _LONGER
        for name, unit in units.items()
        if meaning(name) in ("bare", "duration")
    )


def far_too_short(dialect: Dialect, units: Mapping[str, str], named: Mapping[str, str]) -> str:
    """The next unit, where lengths that are no whole numbers are next to nothing of the loop.

    Empty where they are not, or where the next unit makes them longer than a loop.
    """
    header, loop = dialect.header or (), loop_ns(dialect, dict(named) | dict(units))
    places = [header.index(name) for name in units]
    if loop is None or not places or not any((numbers(dialect, at) % 1 > 0).any() for at in places):
        return ""
    unit = next(iter(units.values()))
    total = sum(_share(dialect, at, unit, loop) for at in places)
    larger = {"ns": "us", "us": "ms", "ms": "s"}.get(unit, "")
    return larger if 0 < total * 1000 <= 1 + _ROOM else ""


def _in_a_sum(lengths: dict[int, Float], signals: dict[int, Float]) -> list[int]:
    """Columns that are named like signals and that, row for row, a sum of lengths lacks."""
    if len(lengths) < _FEWEST - 1 or not signals:
        return []
    longest = max(lengths, key=lambda at: float(np.nanmedian(lengths[at])))
    rest = 2 * lengths[longest] - np.sum(list(lengths.values()), axis=0)
    fit = together(np.stack(list(signals.values()), axis=1), rest)
    if fit is None or fit.explained < _EXPLAINED or len(fit.slope) != len(signals):
        return []
    return [at for at, by in zip(signals, fit.slope.tolist(), strict=True) if abs(by - 1) < _ONE]


def _may_last(values: Float) -> bool:
    """Whether values may be lengths of time: not below zero, and neither rising nor gliding."""
    known = values[np.isfinite(values)]
    if len(known) < _FEWEST or (known < 0).any() or len(np.unique(known)) < _FEWEST:
        return False
    step = np.diff(known)
    rises = (step >= 0).mean() > _MOSTLY and not _falls_again(step)
    return not rises and not glides(known)


def _counts(values: Float) -> bool:
    """Whether values count rows, or the loops that those are of."""
    step = np.diff(values)
    ones = (step == 0) | (step == 1)
    count = len(step) >= _FEWEST and float(ones.mean()) > _MOSTLY and bool((step == 1).any())
    return count and not _falls_again(step)


def _falls_again(step: Float) -> bool:
    """Whether values fall about as often as they rise: lengths in whole units that mostly stay."""
    return bool((step > 0).sum() <= 2 * (step < 0).sum())
