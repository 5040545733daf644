"""Lists as words."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["named"]

_NAMED = 3


def named(names: Sequence[str], most: int = _NAMED) -> str:
    """The first few names, and how many more there are.

    Examples
    --------
    >>> named(["a", "b"]), named(["a", "b", "c", "d", "e"])
    ('a and b', 'a, b, c and 2 more')
    """
    if len(names) <= most:
        return " and ".join(part for part in (", ".join(names[:-1]), *names[-1:]) if part)
    return f"{', '.join(names[:most])} and {len(names) - most} more"
