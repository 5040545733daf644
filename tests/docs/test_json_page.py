"""The page on JSON names every key that a command gives."""

import json
import re
from importlib.resources import files

import pytest

from looptime import cli
from looptime.samples import folder

LOGS = folder()
ONE, PROJECT = str(LOGS / "single_reads.csv.gz"), str(LOGS / "looptime.toml")
SEASON = ("--season", str(LOGS / "season"))
PAGE = files("looptime.guide").joinpath("json.md").read_text(encoding="utf-8")
#: Objects whose keys are names of calls, buses or figures.
NAMED = {"by_culprit", "bus", "age_at_first_use_ms", "figures", "reasons", "rests_on"}
NAMED |= {"required_rate_hz", "damaged"}


def keys(value: object, holder: str = "") -> set[str]:
    """All keys of a document, but for those that are names."""
    if isinstance(value, list):
        return {key for one in value for key in keys(one, holder)}
    if not isinstance(value, dict):
        return set()
    own = set() if holder in NAMED and "p50" not in value else set(value)
    return own | {key for name, one in value.items() for key in keys(one, name)}


@pytest.mark.parametrize(
    "words",
    [("summary", ONE), ("slow", ONE, "--loop", "1370", "--delay-ms", "50"), ("columns", ONE),
     ("plan", ONE), ("plan", ONE, "--change", "batch drive.*.read"),
     ("heading", ONE, "--motion", "turn:90,120,480", "--tolerance-deg", "5"), ("control", ONE),
     ("compare", ONE, "--against", str(LOGS / "batched_reads.csv.gz")),
     ("gate", str(LOGS / "season_runs" / "changed.csv.gz"), *SEASON), ("pit", ONE, *SEASON),
     ("season", "trends", *SEASON), ("season", "list", *SEASON)],
    ids=lambda words: " ".join(w for w in words if w.isalpha()),
)  # fmt: skip
def test_every_key_is_named(words, capsys):
    """Whatever stands in the JSON of a sample log is looked for on the page, word by word."""
    more = () if words[0] == "season" else ("--project", PROJECT)
    assert cli.run([*words, *more, "--json"]) in (0, 1)
    found = keys(json.loads(capsys.readouterr().out))
    assert len(found) > 5
    assert sorted(found - set(re.findall(r"\w+", PAGE))) == []
