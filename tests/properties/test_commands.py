"""Whatever is typed: an answer, a verdict, or one line that says what is wrong."""

import warnings

from tests.properties.commands import command_line, fault, furnished, played
from tests.properties.test_semantic import seeded


def test_commands_that_nobody_meant(tmp_path, monkeypatch):
    """A few hundred: exits 0 to 3, one line where it is 2, sound JSON, no file half written."""
    monkeypatch.setenv("LOOPTIME_CACHE", "")
    tried = set()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for seed in range(150):
            rng = seeded("command", seed)
            if seed % 5 == 0:
                furnished(tmp_path, seeded("folder", seed // 5))
            words = command_line(rng)
            tried.add(words[0])
            _, wrong = fault(words, tmp_path)
            assert not wrong, (seed, words)
    assert tried == {name.split()[0] for name in played()}
