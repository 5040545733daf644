"""By how much code extrapolates an old reading."""

import math

import numpy as np

from looptime.array_types import Float
from looptime.errors import UsageError
from looptime.heading.pattern import Sampling
from looptime.records import dataclass

__all__ = ["NO_LEAD", "Lead", "parse_lead"]


@dataclass(frozen=True)
class Lead:
    """By how much the code extrapolates a reading with its turn rate."""

    #: ``none``, ``fixed`` or ``measured`` (the reading's age at use, as the code can know it).
    kind: str = "none"
    fixed_s: float = 0.0

    def per_hold(self, sampling: Sampling) -> Float:
        """Lead of each hold; shape (n,) [s]."""
        if self.kind == "measured":
            return (sampling.use_s - sampling.read_s)[:-1]
        return np.full(len(sampling), self.fixed_s)

    @property
    def text(self) -> str:
        """As it is written."""
        return f"fixed:{self.fixed_s * 1e3:g}" if self.kind == "fixed" else self.kind


NO_LEAD = Lead()


def parse_lead(text: str) -> Lead:
    """Read ``none``, ``fixed:MS`` or ``measured``.

    Raises
    ------
    UsageError
        If it is none of these, or the time is below 0.

    Examples
    --------
    >>> parse_lead("fixed:12.5")
    Lead(kind='fixed', fixed_s=0.0125)
    """
    word, _, rest = text.strip().partition(":")
    if word in ("none", "measured") and not rest:
        return Lead(word)
    try:
        milliseconds = float(rest)
    except ValueError:
        milliseconds = math.nan
    if word != "fixed" or not (math.isfinite(milliseconds) and milliseconds >= 0):
        raise UsageError(f"lead {text!r} is not known: write none, fixed:MS or measured")
    return Lead("fixed", milliseconds / 1e3)
