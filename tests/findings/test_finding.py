"""One finding: its sentence, its worth, its evidence."""

import re
from dataclasses import replace

import numpy as np
import pytest

from looptime.findings import SEVERITIES, summarise
from looptime.findings.about import ms, percent, three
from looptime.findings.finding import Finding, ranked
from tests.benchmarks.scenarios import SCENARIOS
from tests.build_run import make_flat_run


@pytest.mark.parametrize("scenario", SCENARIOS[::4], ids=lambda s: s.name)
def test_every_finding_is_whole(scenario):
    """Severity, sentence, evidence and JSON of whatever is found."""
    for f in summarise(scenario.make(np.random.default_rng(3)), budget_ms=14).findings:
        assert f.severity in SEVERITIES
        assert f.text[-1] in ".?"
        assert f.text[0].isupper() or f.text.split()[0] in f.text  # a name may begin it
        assert not re.search(r"\de[+-]\d|nan|inf\b|None", f.text)
        assert f.evidence.n_loops > 0
        assert set(f.to_dict()) >= {"code", "severity", "text", "value", "unit", "evidence"}
        assert f.command == "" or f.command.startswith("looptime ")


def test_ranked_by_worth():
    """What would buy more comes first; notes come last."""
    run = SCENARIOS[0].make(np.random.default_rng(1))
    findings = summarise(run, budget_ms=2.5).findings
    main = [f.worth for f in findings if f.severity in ("act", "look")]
    assert main == sorted(main, reverse=True)
    kinds = [f.severity == "note" for f in findings]
    assert kinds == sorted(kinds)


def test_lines_of_the_evidence():
    """Loops in the evidence come with their lines of the log."""
    period = np.full(1000, 10_000_000)
    period[[200, 700]] = 45_000_000
    run = make_flat_run(period)
    run = replace(run, loop_columns=replace(run.loop_columns, line=np.arange(1000) * 3 + 2))
    over = next(f for f in summarise(run, budget_ms=20).findings if f.code == "overruns")
    assert sorted(over.evidence.lines) == [602, 2102]


def test_words():
    """Figures in words never have an exponent."""
    assert [ms(x) for x in (999.8, 1234, 0.0001)] == ["1 s", "1.23 s", "0.0001 ms"]
    assert [three(x) for x in (1000, 99.95, -0.5)] == ["1000", "100", "-0.5"]
    assert percent(0.0995) == "10 %"


@pytest.mark.parametrize(("worth", "severity"), [(0.2, "act"), (0.1999, "look")])
def test_a_fifth_of_the_loop_should_be_acted_upon(worth, severity):
    """The border itself belongs to what should be done."""
    (made,) = ranked([Finding("blocking_call", "look", "It blocks.", worth=worth)])
    assert made.severity == severity
