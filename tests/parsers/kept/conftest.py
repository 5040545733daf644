"""Where tests keep their prepared copies."""

import pytest

from looptime.parsers import read as reading


@pytest.fixture
def kept(tmp_path, monkeypatch):
    """A cache folder of its own, used for logs of any size."""
    monkeypatch.setenv("LOOPTIME_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(reading, "PAYS_FROM", 0)
    return tmp_path / "cache"
