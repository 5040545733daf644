"""Globs of a project: the first that matches, found without asking all of them."""

from fnmatch import fnmatchcase

import numpy as np
import pytest

from looptime import globs
from looptime.globs import Globs


def test_the_first_glob_that_matches_is_found() -> None:
    """As when each is asked in turn, on names and globs drawn from few letters."""
    draw = np.random.default_rng(4)

    def drawn(letters: str, count: int) -> list[str]:
        return ["".join(draw.choice(list(letters), draw.integers(0, 5))) for _ in range(count)]

    for _ in range(40):
        made = [*drawn("ab.*?", 12), "a[ab]*", "[!a]b*"]
        found = Globs(made)
        for name in drawn("ab.", 30):
            each = (k for k, glob in enumerate(made) if fnmatchcase(name, glob))
            assert found.first(name) == next(each, None)


def test_no_name_is_held_against_all_globs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two thousand entries a name is held against those that begin as it does."""
    asked = []
    plain = globs._matches

    def noted(glob: str, name: str) -> bool:
        asked.append(glob)
        return plain(glob, name)

    monkeypatch.setattr(globs, "_matches", noted)
    found = Globs([*(f"x{k}.*" for k in range(2000)), "*"])
    assert [found.first(f"x{k}.read") for k in range(1000)] == list(range(1000))
    assert [found.first(f"y{k}") for k in range(1000)] == [2000] * 1000
    assert len(asked) == 3000  # "*" each time, and one that begins as half of the names do
