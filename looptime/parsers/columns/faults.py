"""Columns of faults, whose headers may as well name a deviation: codes, counts, marks."""

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.lexicon import tokens

__all__ = ["no_deviation"]

#: Words for a fault as well as for how far something is off, and one that says what is held of it.
_FAULTS = frozenset(
    ("error", "err", "overrun", "slip", "erreur", "errore", "ueberschreitung", "uberschreitung")
)
_CODES = frozenset(("code", "codes"))
#: Values of which a code or a count takes few, and the share of the rows in which it is nothing.
_FEW, _MOSTLY = 6, 0.8


def no_deviation(name: str, known: Float) -> str:
    """Why a column without a unit is none of deviations though its header names one; or nothing.

    How far something is off is below zero as often as above, or has a fraction, or is seldom
    nothing; a code or a count of faults is whole, and nothing for most of the time.

    Parameters
    ----------
    name : str
        Its header.
    known : float64 array, shape (n,)
        Its values.

    Examples
    --------
    >>> import numpy as np
    >>> no_deviation("err", np.where(np.arange(90) % 45, 0.0, 4.0))
    'whole numbers, none below zero and most of them 0, are codes or counts of faults'
    >>> no_deviation("err", np.arange(90) % 3 - 1.0), no_deviation("jitter", np.zeros(9))
    ('', '')
    """
    said = set(tokens(name))
    if said & _CODES:
        return "its header names a code"
    whole = bool(len(known) and (known >= 0).all() and (known == np.rint(known)).all())
    if not said & _FAULTS or not whole:
        return ""
    if (known == 0).mean() >= _MOSTLY:
        return "whole numbers, none below zero and most of them 0, are codes or counts of faults"
    few = len(np.unique(known)) <= _FEW and len(known) > _FEW**2
    return "few whole numbers, none below zero, are codes or counts of faults" if few else ""
