"""What of a season cannot be read is said by every answer that would have rested on it."""

import pytest

from looptime import cli
from looptime.errors import LogError
from looptime.questions import judging
from looptime.questions.asked import Asked
from looptime.questions.pit_check import pit
from tests.questions.test_pit_check import log


@pytest.fixture
def kept(tmp_path):
    """Seven runs in the baseline, of which one can't be read any more, and a new log."""
    asked = Asked(season=str(tmp_path / "season"), cache=False, budget_given_ms=20.0)
    old = [log(tmp_path / f"{k}.csv", k, (("carry", 300),)) for k in range(7)]
    judging.add_to_season(asked, old, labels={})
    store = judging.season(asked)
    names = [entry.name for entry in store.entries()]
    store.mark_baseline(names)
    store.path_of(names[3]).write_bytes(b"PAR1 no more")
    return asked, log(tmp_path / "new.csv", 9, (("carry", 300),))


SAID = "1 damaged entry is left out of the season"


def test_checks_say_what_they_do_not_rest_on(kept):
    """The gate, the checklist and a comparison whose scatter is the season's."""
    asked, new = kept
    judged = judging.gate(asked, [new])
    assert len(judged.baseline) == 6
    assert judged.notes[0].startswith(SAID)
    checks = {one.what: one.text for one in pit(asked, [asked.read(new)]).checks}
    assert SAID in checks["season"]
    other = log(asked.season_folder().parent / "other.csv", 10, (("carry", 300),))
    assert [u.text for u in judging.compare(asked, [new], [other]).unlike if u.what == "damaged"]


def test_a_damaged_season_is_no_side(kept):
    """Held against each other are all runs that were named, or none."""
    asked, new = kept
    with pytest.raises(LogError, match="is damaged: add its log again, or drop it"):
        judging.compare(asked, [asked.season], [new])


@pytest.mark.parametrize("words", [["season", "trends"], ["gate"]])
def test_it_stands_on_the_screen(kept, capsys, words):
    """Without a word about it a reader would believe that all is there."""
    asked, new = kept
    logs = [new] if words == ["gate"] else []
    cli.run([*words, *logs, "--season", asked.season])
    assert SAID in " ".join(capsys.readouterr().out.split())
    cli.run([*words, *logs, "--season", asked.season, "--json"])
    assert "damaged" in capsys.readouterr().out


def test_a_whole_season_says_nothing_of_it(kept):
    """Once the entry is dropped."""
    asked, new = kept
    store = judging.season(asked)
    store.entries()
    store.drop(list(store.damaged))
    judged = judging.gate(asked, [new])
    assert (judged.left_out, len(judged.baseline)) == ("", 6)
    assert not any("left out of the season" in note for note in judged.notes)
