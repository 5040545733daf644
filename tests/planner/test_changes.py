"""The grammar of changes."""

import contextlib
from textwrap import dedent

import pytest
from hypothesis import given
from hypothesis import strategies as st

from looptime import cli
from looptime.errors import UsageError
from looptime.planner.changes import VERBS, Change, load_changes, matching, parse, parse_all
from looptime.samples import folder


@pytest.mark.parametrize("text", [verb.example for verb in VERBS.values()])
def test_every_example_reads_back(text):
    """Each verb's example is read and written the same."""
    assert str(parse(text)) == text


@pytest.mark.parametrize(
    ("text", "verb", "patterns", "options"),
    [
        ("batch encoder.*", "batch", ("encoder.*",), {}),
        ("thread gyro.read rest-ms=5", "thread", ("gyro.read",), {"rest-ms": 5.0}),
        ("every range.read loops=4 together", "every", ("range.read",),
         {"loops": 4, "together": True}),
        ("every telemetry.send ms=500", "every", ("telemetry.send",), {"ms": 500.0}),
        ("on-change motor.* share=0.7", "on-change", ("motor.*",), {"share": 0.7}),
        ('later "gyro read" before="motor set"', "later", ("gyro read",), {"before": "motor set"}),
        ("pace hz=50", "pace", (), {"hz": 50.0}),
        ('drop "say ""hi"" a=b"', "drop", ('say "hi" a=b',), {}),
        ("drop 'it''s'", "drop", ("it's",), {}),
        ("drop a=b", "drop", ("a=b",), {}),
        ('every "together" loops=2', "every", ("together",), {"loops": 2}),
    ],
)  # fmt: skip
def test_changes_are_read(text, verb, patterns, options):
    """Words, quotes, options and flags mean what they should."""
    change = parse(text)
    assert (change.verb, change.patterns, dict(change.options)) == (verb, patterns, options)
    assert parse(str(change)) == change


@given(st.text(min_size=1), st.floats(0, 1000, allow_subnormal=False))
def test_any_name_survives(name, by):
    """A call name may contain any character."""
    change = Change.of("scale", name, by=by)
    assert change.patterns == (name,)
    assert parse(str(change)) == change


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("bacth encoder.*", "the nearest is 'batch'"),
        ("batch", "names no call"),
        ("drop X ms=5", "no option 'ms'"),
        ("cap X", "lacks ms="),
        ("cap X ms=-1", "a number of ms from 0"),
        ("cap X ms=nan", "a number of ms from 0"),
        ("every X", "one of loops or ms"),
        ("every X loops=2 ms=3", "one of loops or ms"),
        ("every X loops=0", "a whole number from 1"),
        ("on-change X share=1.5", "a share from 0 to 1"),
        ("pace X hz=5", "names no call"),
        ("pace hz=0", "a rate above 0"),
        ('drop "X', "a quote is not closed"),
    ],
)
def test_wrong_changes_say_why(text, says):
    """One line that names the change and what to write."""
    with pytest.raises(UsageError) as error:
        parse(text)
    assert says in str(error.value)
    assert "\n" not in str(error.value)


@given(st.text(max_size=40))
def test_no_text_breaks_the_reader(text):
    """Whatever is typed is read or refused in one line."""
    with contextlib.suppress(UsageError):
        assert parse(str(parse(text))) == parse(text)


def test_an_exact_name_outranks_a_pattern():
    """A name that looks like a pattern means itself."""
    names = ["a*", "ab", "ac"]
    assert matching(names, {0, 1, 2}, ["a*"], "") == [0]
    assert matching(names, {0, 1, 2}, ["a?"], "") == [0, 1, 2]


def test_what_matches_nothing_is_refused():
    """The nearest name is suggested; another thread's call is refused."""
    with pytest.raises(
        UsageError, match=r"no call matches 'gyro.raed'; the nearest is 'gyro.read'"
    ):
        matching(["gyro.read"], {0}, ["gyro.raed"], "drop gyro.raed")
    with pytest.raises(UsageError, match="called by another thread"):
        matching(["gyro.read"], set(), ["gyro.*"], "drop gyro.*")


def test_plan_files(tmp_path):
    """A TOML file keeps the order of the changes and may state rhythms."""
    path = tmp_path / "plan.toml"
    path.write_text(
        'changes = ["batch encoder.*", "drop x"]\n[recurs]\n"telemetry.send" = "time"\n',
        encoding="utf-8",
    )
    plan = load_changes(path)
    assert [str(c) for c in plan.changes] == ["batch encoder.*", "drop x"]
    assert plan.recurs == {"telemetry.send": "time"}
    assert parse_all(plan.changes) == plan.changes


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("change = []", "key 'change' is not known; a plan is a list of changes, changes = ["),
        ("changes = 3", "changes is a list"),
        ('changes = ["dorp x"]', "plan.toml: change 'dorp x'"),
        ("changes = [", "not valid TOML"),
        ('[recurs]\na = "hour"', "loop"),
    ],
)
def test_bad_plan_files_say_why(tmp_path, text, says):
    """One line with the file's name."""
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError) as error:
        load_changes(path)
    assert says in str(error.value)
    assert "plan.toml" in str(error.value)


def test_the_plan_that_the_help_shows_is_one(tmp_path, capsys):
    """What `looptime help plan` shows is read as it is, and so is the sample plan."""
    assert cli.run(["help", "plan"]) == 0
    lines = capsys.readouterr().out.splitlines()
    first = lines.index('    changes = ["batch encoder.*", "every telemetry.send ms=500"]')
    path = tmp_path / "plan.toml"
    path.write_text(dedent("\n".join(lines[first : first + 3])), encoding="utf-8")
    shown = load_changes(path)
    assert [str(c) for c in shown.changes] == ["batch encoder.*", "every telemetry.send ms=500"]
    assert shown.recurs == {"telemetry.send": "time"}
    sample = load_changes(folder() / "plan.toml")
    assert [str(c) for c in sample.changes] == ["batch drive.*.read"]
