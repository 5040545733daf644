"""Whether all calls changed by a like factor."""

from dataclasses import replace

import numpy as np
import pytest

from tests.checks.build import CALLS, recording
from tests.checks.compare.build import compare_sides


def loaded(seed, share, more=3.0, names=tuple(CALLS)):
    """A recording in which a share of each of some calls, chosen by chance, lasts longer."""
    run = recording(seed)
    rng = np.random.default_rng(1000 + seed)
    at = run.call_columns
    mine = np.isin(at.name, [i for i, call in enumerate(run.names) if call.name in names])
    hit = mine & (rng.random(len(at.name)) < share)
    extra = np.where(hit, (more - 1) * at.duration_ns, 0.0).astype(np.int64)
    grown = np.bincount(at.loop, extra, len(run)).astype(np.int64)
    period = run.loop_columns.period_ns + grown
    before = np.cumsum(extra) - extra
    calls = replace(
        at, start_ns=at.start_ns + before, duration_ns=at.duration_ns + extra,
        self_ns=at.self_ns + extra,
    )  # fmt: skip
    loops = replace(run.loop_columns, period_ns=period, start_ns=np.cumsum(period) - period)
    return replace(run, loop_columns=loops, call_columns=calls)


@pytest.mark.parametrize("scale", [1.25, 0.8])
def test_calls_that_all_scale_say_that_the_machine_did(scale):
    """Every call takes 25 % longer, or 20 % less: the first sentence says so, whatever it ruled."""
    found = compare_sides([recording(1)], [recording(2, scale=scale)])
    first = found.sentences[0]
    assert "every call took" in first
    assert ("machine was slower" if scale > 1 else "machine was faster") in first
    assert "not one call" in first
    percent = 100 * (scale - 1)
    assert found.alike.low_percent == pytest.approx(percent, abs=1.5)
    assert found.alike.high_percent == pytest.approx(percent, abs=1.5)
    assert found.verdict == ("slower" if scale > 1 else "faster")


def test_now_and_then_a_longer_turn_of_every_call_is_the_machine():
    """One turn in ten of every call lasts three times as long: 20 % more, the middles as before."""
    found = compare_sides([recording(1)], [loaded(2, 0.1)])
    assert found.alike is not None
    assert found.alike.high_percent == pytest.approx(20, abs=4)


@pytest.mark.parametrize("name", list(CALLS)[:4])
def test_one_call_that_grew_is_not_the_machine(name):
    """One call takes twice as long, or stalls now and then: no word of the machine."""
    grown = {**CALLS, name: 2 * CALLS[name]}
    assert compare_sides([recording(1)], [recording(2, calls=grown)]).alike is None
    assert compare_sides([recording(1)], [loaded(2, 0.1, 6.0, (name,))]).alike is None


def test_a_remedy_on_a_slower_machine_is_not_put_on_the_machine():
    """A call becomes half as long while all others take a tenth longer."""
    new = {n: (0.5 if n == "drive.motors.write" else 1.1) * ms for n, ms in CALLS.items()}
    assert compare_sides([recording(1)], [recording(2, calls=new)]).alike is None


def test_several_runs_a_side_say_it_too():
    """Three slow runs after three others: the verdict stands, and what it is not is said."""
    before = [recording(k) for k in (1, 2, 3)]
    after = [recording(k, scale=1.2) for k in (4, 5, 6)]
    found = compare_sides(before, after)
    assert found.verdict == "slower"
    assert "every call took longer" in found.sentences[0]


def test_a_slower_machine_is_seen_in_a_loop_of_many_small_calls():
    """One large call and 15 of 4 % each, all 12 % longer: named are those that cost most."""
    calls = {"arm.read": 4.0, **{f"wheel{k}.read": 0.4 for k in range(15)}}
    before = [recording(k, calls=calls, loops=900) for k in range(3)]
    after = [recording(9 + k, calls=calls, loops=900, scale=1.12) for k in range(3)]
    found = compare_sides(before, after)
    assert found.alike is not None
    assert "the machine was slower" in found.sentences[0]
    [cost] = [s for s in found.sentences if s.startswith("It cost most in ")]
    assert cost.startswith("It cost most in arm.read (+0.4")
    one = [recording(9 + k, calls={**calls, "arm.read": 6.0}, loops=900) for k in range(3)]
    assert compare_sides(before, one).alike is None


def test_no_call_is_named_where_none_changed_by_itself():
    """Five calls a fifth of a percent dearer: seen in their sum, in none of them alone."""
    found = compare_sides([recording(1, stalls=0.0)], [recording(2, scale=1.002, stalls=0.0)])
    mean = next(c for c in found.changes if c.statistic == "mean")
    assert mean.verdict == "slower"
    assert not any(c.verdict in ("slower", "faster") for c in found.calls)
    text = " ".join(found.sentences)
    assert "These two recordings differ: slower" not in text
    assert "It cost most in" not in text
    assert "Every call took longer, by " in text
    assert "not one call; no change of a single one can be seen." in text
