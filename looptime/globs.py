"""Many globs and many names: the first glob that matches, without asking each of them."""

import re
from collections.abc import Sequence
from fnmatch import translate
from functools import lru_cache

__all__ = ["Globs"]

_WILD = re.compile(r"[*?\[]")


class Globs:
    """Globs in order of preference, found by what stands before their first wildcard.

    Parameters
    ----------
    globs : sequence of str
        As `fnmatch.fnmatchcase` takes them.

    Examples
    --------
    >>> globs = Globs(["drive.*.read", "drive.*", "gyro", "*.read"])
    >>> [globs.first(name) for name in ("drive.left", "gyro", "mast.read", "gyro.write")]
    [1, 2, 3, None]
    """

    def __init__(self, globs: Sequence[str]) -> None:
        self._by_head: dict[str, list[tuple[int, str]]] = {}
        for place, glob in enumerate(globs):
            head = _WILD.split(glob, maxsplit=1)[0]
            self._by_head.setdefault(head, []).append((place, glob))
        self._lengths = sorted({len(head) for head in self._by_head})

    def first(self, name: str) -> int | None:
        """The place of the first glob that matches a name."""
        found: list[int] = []
        for length in self._lengths:
            if length > len(name):
                break
            for place, glob in self._by_head.get(name[:length], ()):
                if found and place > found[-1]:
                    break
                if _matches(glob, name):
                    found.append(place)
                    break
        return min(found, default=None)


def _matches(glob: str, name: str) -> bool:
    return _compiled(glob).match(name) is not None


@lru_cache(maxsize=1 << 14)
def _compiled(glob: str) -> re.Pattern[str]:
    return re.compile(translate(glob))
