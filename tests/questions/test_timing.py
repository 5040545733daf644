"""Summaries by phase, settled parts, and slow loops as they are asked for."""

import numpy as np
import pytest

from looptime.errors import UsageError
from looptime.parsers.log import Log
from looptime.questions import Asked, slow, summary, timing
from looptime.questions.timing import settled, warmup_loops
from looptime.run import Run
from looptime.views.text.summary_text import render_summary
from tests.build_run import make_flat_run, make_run
from tests.views.text.build import text_of


def three_phases() -> Run:
    """Loops of 5, 10 and 12 ms in three phases."""
    return make_run(
        [5] * 100 + [10] * 200 + [12] * 150,
        [("a", 0, 1)],
        phases=["standby"] * 100 + ["operator"] * 200 + ["unattended"] * 150,
    )


def test_by_phase() -> None:
    """One summary a phase, work before standby, loops counted in each; one where none is said."""
    found = summary(Asked(), three_phases())
    assert [(s.phase, s.loops) for s in found] == [
        ("operator", 200), ("unattended", 150), ("standby", 100),
    ]  # fmt: skip
    assert found[0].pace.period_ms.p50.value == 10
    assert len(summary(Asked(), make_run([10] * 50))) == 1


def test_a_brief_summary_is_whole_in_its_first_phase() -> None:
    """As text it says what the whole one says; what recurs is looked for in the first phase."""
    run = three_phases()
    brief, whole = summary(Asked(), run, brief=True), summary(Asked(), run)
    assert [at.recurrence.note == "" for at in brief] == [True, False, False]
    assert [at.pace for at in brief] == [at.pace for at in whole]
    assert brief[0].to_dict() == whole[0].to_dict()
    log = Log("run.csv", (run,))
    said = [text_of(render_summary(log, found).parts(full=True)) for found in (brief, whole)]
    assert said[0] == said[1]


def test_a_phase_or_a_part_can_be_asked_for() -> None:
    """Just that phase; of the first second (100 x 5 ms, 50 x 10 ms) two phases are left."""
    (only,) = summary(Asked(phase="standby"), three_phases())
    assert (only.phase, only.loops) == ("standby", 100)
    found = summary(Asked(to_s=1.0), three_phases())
    assert sorted((s.phase or "", s.loops) for s in found) == [("operator", 50), ("standby", 100)]
    with pytest.raises(UsageError, match="does not occur"):
        summary(Asked(phase="nothing"), three_phases())


def test_settled_leaves_out_the_warm_up() -> None:
    """100 slow loops at the start are left out, unless the warm-up is kept."""
    period = np.random.default_rng(3).integers(19_000_000, 21_000_000, 3300)
    period[:100] *= 2
    run = make_flat_run(period, {"a": period // 2})
    cut = warmup_loops(run)
    assert 90 <= cut <= 130
    left, out = settled(Asked(), run)
    assert (len(left), out) == (len(run) - cut, cut)
    left, out = settled(Asked(keep_warmup=True), run)
    assert (len(left), out) == (len(run), 0)


def test_of_the_phases_the_one_that_holds_the_loop() -> None:
    """The first phase, or that of the loop that is asked for."""
    assert slow(Asked(), three_phases()).summary.phase == "operator"
    found = slow(Asked(), three_phases(), loop=320)
    assert found.summary.phase == "unattended"
    assert found.to_dict()["loop"] is not None
    with pytest.raises(UsageError, match="belong together"):
        slow(Asked(), three_phases(), video_fps=30.0)


@pytest.mark.parametrize(("runs", "each"), [(1, 150), (150, 1), (8, 20)])
def test_of_very_many_parts_the_longest_are_summarised(monkeypatch, runs, each):
    """Sixty in all, each phase or run of them longer than any that is left out; it is told."""
    asked = []
    monkeypatch.setattr(timing, "summarised", counted(timing.summarised, asked))
    loops = [40 + k for k in range(runs)] if each == 1 else [5 + k for k in range(each)]
    phases = None if each == 1 else [f"p{k}" for k, n in enumerate(loops) for _ in range(n)]
    sizes = loops if each == 1 else [sum(loops)] * runs
    log = Log("a.csv", tuple(make_run([10] * n, [("a", 0, 1)], phases=phases) for n in sizes))
    found = timing.summary_of_log(Asked(), log)
    most = timing.MOST_PARTS // min(runs, timing.MOST_PARTS)
    assert len(found.summaries) == len(asked) == min(runs, timing.MOST_PARTS) * most
    told = found.to_dict()
    assert told["left_out"] == {
        "runs": max(0, runs - timing.MOST_PARTS), "phases": runs * (each - most) if each > 1 else 0
    }  # fmt: skip
    assert min(one["loops"]["count"] for one in told["runs"]) == loops[-most if each > 1 else -60]
    said = " ".join(text_of(render_summary(
        log, found.summaries, found.phases_left
    ).parts(full=True)).split())  # fmt: skip
    assert ("the shortest 90 are in none" in said) == (runs == 150)
    assert ("phases of fewer loops are left out" in said) == (each > 1)


def counted(of, asked):
    """A function that notes each time it is asked."""

    def ask(*given, **named):
        asked.append(given)
        return of(*given, **named)

    return ask


def test_the_phase_of_one_loop_is_found_without_the_others(monkeypatch):
    """Of three hundred phases one is summarised, that which holds the loop."""
    asked = []
    monkeypatch.setattr(timing, "summarised", counted(timing.summarised, asked))
    run = make_run([10] * 3000, [("a", 0, 1)], phases=[f"p{k // 10}" for k in range(3000)])
    assert slow(Asked(), run, loop=2995).summary.phase == "p299"
    assert slow(Asked(), run).summary.phase == "p0"
    assert len(asked) == 2
