"""Which calls make one set of loops longer than another: an exact account."""

from typing import Any, NamedTuple

import numpy as np

from looptime.analysers.basis import Basis
from looptime.analysers.estimate import plain_value
from looptime.array_types import Bool, Float
from looptime.schema import UNATTRIBUTED

__all__ = ["Part", "contrast", "mean_self_ms"]


class Part(NamedTuple):
    """What one call name adds to a difference."""

    name: str  #: Call name, or `looptime.schema.UNATTRIBUTED`
    ms: float  #: Mean self time a loop in the one set minus that in the other

    def to_dict(self) -> dict[str, Any]:
        """The part as JSON holds it."""
        return {"name": self.name, "ms": plain_value(self.ms)}


def mean_self_ms(basis: Basis, loops: Bool) -> Float:
    """Mean self time of each name over some loops; the last element is what no call covers.

    Pacing waits count as nothing where work is judged.

    Parameters
    ----------
    basis : Basis
        The run, and what was found of it first.
    loops : bool array, shape (n,)
        Which loops; at least one.

    Returns
    -------
    float array, shape (names + 1,) [ms]
        Adds up to the mean of the quantity judged over these loops.
    """
    own = np.where(basis.counted, basis.table.over(loops), 0.0)
    rest = float(basis.unattributed_ns[loops].sum())
    return np.append(own, rest) / max(int(loops.sum()), 1) / 1e6


def contrast(basis: Basis, these: Bool, those: Bool, most: int | None = None) -> tuple[Part, ...]:
    """Difference of the mean between two sets of loops, by name; the largest first.

    Parameters
    ----------
    basis : Basis
        The run, and what was found of it first.
    these, those : bool array, shape (n,)
        The two sets, neither of them empty.
    most : int, optional
        How many parts to name.

    Returns
    -------
    tuple of Part
        All of them add up to the difference of the means of the quantity judged, but for the wait
        for a tick after calls that missed one: those calls made it.
    """
    difference = mean_self_ms(basis, these) - mean_self_ms(basis, those)
    difference[-1] -= _waited_ms(basis, these) - _waited_ms(basis, those)
    order = np.argsort(-np.abs(difference), kind="stable")[:most].tolist()
    names = basis.run.names
    return tuple(
        Part(names[k].name if k < len(names) else UNATTRIBUTED, float(difference[k])) for k in order
    )


def _waited_ms(basis: Basis, loops: Bool) -> float:
    return float(basis.tick_wait_ns[loops].sum()) / max(int(loops.sum()), 1) / 1e6
