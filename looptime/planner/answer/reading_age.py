"""How old a reading is at first use, on whatever thread it was taken."""

import numpy as np

from looptime.analysers.ages import readings, uses_of
from looptime.array_types import Int
from looptime.project import Heading
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["FIRST_USE", "Ages", "ages_at_first_use", "first_use", "reading_ages"]

FIRST_USE = "at first use"
#: Where nothing is known to use it.
_NO_USE = "at the loop's end (its use, as no write is known)"


@dataclass(frozen=True)
class Ages:
    """Age at first use [ms]."""

    mean: float
    p95: float
    max: float
    uses: int

    @classmethod
    def of(cls, age: Int) -> "Ages":
        """Of ages at first use, shape (n,) [ns]."""
        ms = np.sort(age / 1e6)
        place = min(int(np.ceil(0.95 * len(ms))) - 1, len(ms) - 1)
        return cls(float(ms.mean()), float(ms[max(place, 0)]), float(ms[-1]), len(ms))


def ages_at_first_use(run: Run, stated: Heading | None = None) -> dict[str, Int]:
    """Age of each sensor reading at each loop's first use, by call name; shape (n,) [ns].

    Parameters
    ----------
    run : Run
        Recorded or predicted.
    stated : Heading, optional
        The calls that read, pick up and use the heading, and when a call's reading is taken.

    Returns
    -------
    dict of str to int64 array
        For calls of kind ``sensor read`` and for readings handed between threads.
    """
    instant = (stated.read_instant if stated else None) or "start"
    made = readings(run, read_instant=instant, stated=stated)
    found = ((at.code, at.age_at_first_use()) for at in made)
    return {run.names[code].name: age for code, age in found if age is not None}


def reading_ages(run: Run, stated: Heading | None = None) -> dict[str, Ages]:
    """Mean, p95 and largest of `ages_at_first_use`, by call name."""
    found = ages_at_first_use(run, stated)
    return {name: Ages.of(age) for name, age in found.items()}


def first_use(run: Run) -> str:
    """When the ages of `reading_ages` are taken, in words that go on from ``old``."""
    return FIRST_USE if uses_of(run).written else _NO_USE
