"""Findings priced by the planner."""

import numpy as np
import pytest

from looptime.findings import summarise
from looptime.findings.priced import with_predictions
from looptime.planner.suggest import suggest
from tests.benchmarks.scenarios import SCENARIOS


def test_the_planner_replaces_the_upper_bound():
    """Eight single reads of one bus: the batch that the planner proposes, and its saving."""
    run = next(s for s in SCENARIOS if s.name == "single reads of one bus").make(
        np.random.default_rng(1)
    )
    found, plans = summarise(run), suggest(run)
    before = next(f for f in found.findings if f.code == "batch_reads")
    after = next(f for f in with_predictions(found.findings, plans) if f.code == "batch_reads")
    assert "would save" in after.text
    single = [p for p in plans.proposed if len(p.changes) == 1 and "wheel" in p.changes[0]]
    best = max(-p.gain_ms.value for p in single)
    assert after.value == pytest.approx(best)
    assert after.worth == pytest.approx(best / plans.now_ms["mean"])
    assert after.value <= run.duration_s * 1e3 / len(run)
    assert before.evidence == after.evidence


def test_what_has_no_remedy_stays():
    """Findings without calls are left as they are, and the order still follows the worth."""
    run = SCENARIOS[0].make(np.random.default_rng(1))
    found, plans = summarise(run, budget_ms=2.2), suggest(run)
    priced = with_predictions(found.findings, plans)
    assert {f.code for f in priced} == {f.code for f in found.findings}
    overruns = next(f for f in priced if f.code == "overruns")
    assert overruns in found.findings
    worth = [f.worth for f in priced if f.severity in ("act", "look")]
    assert worth == sorted(worth, reverse=True)
