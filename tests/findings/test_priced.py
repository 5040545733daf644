"""Findings priced by the planner."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers.estimate import Figure
from looptime.findings import summarise
from looptime.findings.finding import Evidence, Finding
from looptime.findings.priced import led, with_predictions
from looptime.planner.answer.predict import predict
from looptime.planner.search.look import NotProposed
from looptime.planner.search.proposals import Proposal, Suggestions
from looptime.planner.search.suggest import suggest
from looptime.project import Bus, Project
from tests.benchmarks.scenarios import SCENARIOS
from tests.build_run import make_run


def test_the_planner_adds_what_it_predicts():
    """Eight single reads of one bus: the batch that the planner proposes, and its saving."""
    run = next(s for s in SCENARIOS if s.name == "single reads of one bus").make(
        np.random.default_rng(1)
    )
    found, plans = summarise(run), suggest(run)
    before = next(f for f in found.findings if f.code == "batch_reads")
    after = next(f for f in with_predictions(found.findings, plans) if f.code == "batch_reads")
    assert after.text.endswith("ms less a loop (predicted).")
    assert "in one batch: " in after.text
    (best,) = [-p.gain_ms.value for p in plans.proposed if p.changes == ("batch wheel.*.read",)]
    assert after.value == pytest.approx(best)
    assert after.worth == before.worth
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


def test_a_batch_is_priced_by_a_batch_alone():
    """Where the reads are unlike no batch is proposed, and no other remedy takes its place."""
    rng = np.random.default_rng(2)
    names = {f"drive.{k}.read": {"kind": "sensor read", "subsystem": "drive"} for k in range(4)}
    took = (0.3, 0.6, 1.2, 2.4)
    calls = [(name, 1 + 2.4 * k, ms) for k, (name, ms) in enumerate(zip(names, took, strict=True))]
    run = make_run(11 + rng.random(400), calls, names)
    found, plans = summarise(run), suggest(run)
    assert any(p.changes[0].startswith("every drive.") for p in plans.proposed)
    before = next(f for f in found.findings if f.code == "batch_reads")
    after = next(f for f in with_predictions(found.findings, plans) if f.code == "batch_reads")
    assert after == before


def suggested(plans, left=()) -> Suggestions:
    """Suggestions of single changes, each a change, its gain [ms] and whether it meets targets."""
    made = (
        Proposal((change,), Figure(gain, gain, gain), 9.0, 12.0, 1.0, "low", "", met, {})
        for change, gain, met in plans
    )
    return Suggestions({"mean": 10.0, "p99": 12.0}, {"mean": 6.0, "p99": 9.0}, tuple(made), (),
                       tuple(left), (), (), 100, 100)  # fmt: skip


BLOCKS = Finding("blocking_call", "act", "It blocks.", worth=0.3, moves=True,
                 evidence=Evidence(calls=("gyro.read",)))  # fmt: skip


def test_findings_and_plans_say_one_and_the_same_first():
    """The first plan that is about the first finding's call is its price, and leads the plans."""
    plans = suggested([("batch wheel.*.read", -1.9, None), ("every gyro.read loops=4", -1.0, None),
                       ("cap gyro.read ms=2", -3.0, None)])  # fmt: skip
    for findings in ([BLOCKS], [replace(BLOCKS, severity="note"), BLOCKS]):
        order = [p.changes[0] for p in led(plans, findings).proposed]
        assert order == ["every gyro.read loops=4", "batch wheel.*.read", "cap gyro.read ms=2"]
        made = with_predictions(findings, plans)[-1]
        assert "every gyro.read loops=4: 1 ms less a loop" in made.text
        assert (made.value, made.worth) == (1.0, 0.3)
    for none in ([], [replace(BLOCKS, severity="note")], [replace(BLOCKS, moves=False)]):
        assert led(plans, none) is plans


def test_a_plan_that_surely_gains_more_than_twice_as_much_stays_before_the_answer():
    """1 ms of what stands out first beside 4: the answer is second, and told with the first.

    Where it may gain half as much as the other, or the other is risky, it leads as ever and says
    why, and what the other gains.
    """
    plans = suggested([("batch wheel.*.read", -4.0, None), ("cap mast.read ms=2", -2.0, None),
                       ("every gyro.read loops=4", -1.0, None)])  # fmt: skip
    found = led(plans, [BLOCKS]).proposed
    places = [p.changes[0].partition(" ")[0] for p in found]
    assert places == ["batch", "every", "cap"]
    assert found[0].trade.endswith(", which answers what stands out first, gives 25 % of it")
    batch, cap, every = plans.proposed
    for first, answer in (
        (batch, replace(every, gain_ms=Figure(-1.0, -2.1, -0.1))),
        (replace(batch, gain_ms=Figure(-4.0, -6.0, -1.9)), every),
        (replace(batch, risk="high"), every),
    ):
        other = led(replace(plans, proposed=(first, cap, answer)), [BLOCKS]).proposed
        assert [replace(p, trade="") for p in other] == [answer, first, cap]
        risk = ", at a high risk" if first.risk == "high" else ""
        assert other[0].trade == (
            f"batch wheel.*.read gains far more, 4 ms less a loop{risk}; this is first as it "
            "answers what stands out first"
        )


@pytest.mark.parametrize(
    ("sure", "open_", "risks", "first"),
    [
        ((-7.5, -9.4, -5.6), (-0.9, -2.0, 0.2), ("high", "high"), "thread"),  # both are threads
        ((-7.5, -9.4, -5.6), (-0.3, -0.7, 0.1), ("high", "low"), "thread"),  # 1.4 after its risk
        ((-7.5, -9.4, -1.0), (-0.3, -0.7, 0.1), ("high", "low"), "every"),  # but 0.25 is less
        ((-2.0, -3.0, -1.5), (-1.0, -2.1, 0.1), ("low", "low"), "thread"),  # one may gain nothing
        ((-2.0, -3.0, -1.5), (-1.0, -2.1, -0.1), ("low", "low"), "every"),  # both gain surely
    ],
)
def test_a_sure_gain_stands_before_one_that_may_be_none(sure, open_, risks, first):
    """What is gained surely is tried first, where it is more than the other's after the risks."""
    plans = suggested([("thread pose.read", -1.0, None), ("every gyro.read loops=4", -1.0, None)])
    one, answer = plans.proposed
    one = replace(one, gain_ms=Figure(*sure), risk=risks[0])
    answer = replace(answer, gain_ms=Figure(*open_), risk=risks[1])
    found = led(replace(plans, proposed=(one, answer)), [BLOCKS]).proposed
    assert found[0].changes[0].startswith(first)
    if first == "thread" and open_[2] >= 0:
        assert found[0].trade.endswith("of it and may give nothing")


def test_the_cheaper_plan_that_stands_first_says_so():
    """Without a finding: 0.1 ms before 0.5 by effort and risk; before 0.19 it needs no word."""
    plans = suggested([("cap mast.read ms=2", -0.1, None), ("batch wheel.*.read", -0.5, None)])
    assert led(plans, []).proposed[0].trade == (
        "batch wheel.*.read gains far more, 0.5 ms less a loop; this is first as it asks for less "
        "effort and risk"
    )
    near = suggested([("cap mast.read ms=2", -0.1, None), ("batch wheel.*.read", -0.19, None)])
    assert led(near, []) is near


def test_what_meets_the_targets_stays_first():
    """A remedy of the first finding that misses them stands behind."""
    plans = suggested([("batch wheel.*.read", -4.0, True), ("cap gyro.read ms=2", -1.0, False)])
    assert led(plans, [BLOCKS]) is plans


def test_a_first_finding_without_a_remedy_is_told_with_the_reasons():
    """Those of the changes that were about its call, and of no other; the plans stay."""
    left = [
        NotProposed("every gyro.read loops=4", "it must be young"),
        NotProposed("every mast.read loops=4", "it is slow"),
        NotProposed("arm", "no name"),
    ]
    found = led(suggested([("batch wheel.*.read", -4.0, None)], left), [BLOCKS])
    assert [p.changes[0] for p in found.proposed] == ["batch wheel.*.read"]
    assert found.unanswered == (
        "Nothing is proposed for gyro.read, which stands out first (every gyro.read loops=4: it "
        "must be young)."
    )
    alone = led(suggested([]), [BLOCKS]).unanswered
    assert alone.endswith("(none of the known remedies is about it).")
    unknown = led(suggested([]), [BLOCKS], ["gyro.read"]).unanswered
    assert unknown.endswith("say kind under [[call]] in looptime.toml).")


def test_what_a_remedy_saves_in_other_calls_is_no_price_of_the_finding():
    """A batch of four reads saves 3 ms; a finding about one of them is not worth 3 ms."""
    names = [f"wheel.{k}.read" for k in "abcd"]
    found = Finding("blocking_call", "look", "It blocks.", value=0.8, unit="ms/loop", worth=0.3,
                    moves=True, evidence=Evidence(calls=("wheel.a.read",)))  # fmt: skip
    plan = Proposal(("batch wheel.*.read",), Figure(-3.0, -3.5, -2.5), 9.0, 12.0, 1.0, "low", "",
                    None, {})  # fmt: skip
    told = Suggestions({"mean": 10.0, "p99": 12.0}, {"mean": 6.0, "p99": 9.0}, (plan,), (),
                       (), (), (), 100, 100)  # fmt: skip
    (one,) = with_predictions([found], told, [*names, "gyro.read"])
    assert (one.value, one.low, one.high) == (0.8, None, None)
    assert (
        "batch wheel.*.read: 3 ms less a loop (predicted; that counts what it saves in wheel.b.read"
        in one.text
    )
    assert "gyro.read" not in one.text
    every = Evidence(calls=tuple(names))
    (all_four,) = with_predictions([replace(found, evidence=every)], told, [*names, "gyro.read"])
    assert (all_four.value, all_four.low, all_four.high) == (3.0, 2.5, 3.5)
    assert all_four.text.endswith("batch wheel.*.read: 3 ms less a loop (predicted).")


@pytest.mark.parametrize(
    ("stated", "batch_ms"),
    [({"base_ms": 0.4, "per_item_ms": 0.25}, 2.5), ({"base_ms": 0.4}, 3.2), ({}, 0.75)],
)
def test_no_plan_takes_a_batch_for_shorter_than_the_finding_does(stated, batch_ms):
    """Eight reads of 0.75 ms: 0.5 + 8 x 0.25; 0.4 + 8 x 0.35; of a bus unknown one read at least.

    The plan's whole gain may be more, as what goes by the clock is done less often in a loop.
    """
    project = Project(buses={"port": Bus(**stated)}) if stated else None
    reads = {f"wheel.{k}.read": 0.75 for k in range(8)}
    names = {name: {"kind": "sensor read", "bus": "port"} for name in reads}
    names["telemetry.write"] = {"kind": "telemetry", "bus": "aux"}
    made = [(name, 0.8 * k, took) for k, (name, took) in enumerate(reads.items())]
    made.append(("telemetry.write", 8.0, 5.0))
    run = make_run([14.0] * 400, lambda k: made if k % 7 == 0 else made[:8], names)
    found = next(f for f in summarise(run, project=project).findings if f.code == "batch_reads")
    assert f"take 6 ms: one batched read {'would take about' if stated else 'takes'}" in found.text
    assert f"{batch_ms:g} ms" in found.text
    assert found.value == pytest.approx(6.0 - batch_ms)
    at = predict(run, ["batch wheel.*.read"], buses=project.buses if project else None)
    (one,) = [r for r in at.predicted.calls if r["name"].startswith("batch")]
    took = one["self_ms_per_loop"]
    least = took.value if stated else took.low
    assert least == pytest.approx(batch_ms, rel=0.03)
