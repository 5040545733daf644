"""Text, JUnit and Markdown of comparisons, gates and seasons."""

import re
from dataclasses import replace

import pytest

from looptime.analysers.estimate import Figure
from looptime.checks.compare.change import Change
from looptime.checks.compare.compare import compare
from looptime.checks.compare.wording import together
from looptime.checks.gate.limits import Row
from looptime.views.files.markdown import gate_markdown
from looptime.views.text.change_text import sides
from looptime.views.text.checks_text import render_comparison, render_gate
from tests.checks.build import CALLS, recording
from tests.views.build import SETTINGS
from tests.views.text.build import text_of


def test_a_comparison_says_what_is_unlike_before_any_figure():
    """Order of the parts: the answer, what is unlike, figures, and what was compared last."""
    found = compare(
        [recording(1)], [recording(2, loops=3000, calls={**CALLS, "camera.read": 0.5})],
        settings=SETTINGS,
    )  # fmt: skip
    text = text_of(render_comparison(found))
    order = ("two", "Unlike", "Before and after", "What explains", "What this rests on")
    places = [text.index(w) for w in order]
    assert places == sorted(places)
    assert "camera.read" in text
    assert "One run a side cannot tell" in " ".join(text.split())
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80


def test_a_change_beside_its_per_cent_without_the_trend_is_explained():
    """Six runs, each 1 % longer: as recorded the sides differ, without the trend they do not.

    Where no trend is taken out, both columns say the same and need no word.
    """
    note = "%: with the trend along the session taken out"
    head = "% less trend"
    runs = [recording(k, loops=900, scale=1 + 0.01 * k, time=f"2026-03-01T10:{k:02}")
            for k in range(6)]  # fmt: skip
    found = compare(runs[:3], runs[3:], settings=SETTINGS)
    mean = next(c for c in found.changes if c.statistic == "mean")
    assert mean.difference.value > 0.02 * mean.before
    assert abs(mean.percent.value) < 1
    assert note in text_of(render_comparison(found))
    assert head in text_of(render_comparison(found))
    turns = compare([runs[0], runs[3], runs[4]], [runs[1], runs[2], runs[5]], settings=SETTINGS)
    assert note not in text_of(render_comparison(turns))
    assert head not in text_of(render_comparison(turns))


def test_an_open_row_has_its_reason_below_the_table():
    """Too few loops for p99; an interval clear of 0 beside a p that is corrected for six figures.

    A row whose interval holds 0 is open for that, and needs no word.
    """
    runs = [recording(k, loops=900, time=f"2026-03-01T10:{k:02}") for k in range(6)]
    found = compare(runs[:3], runs[3:], settings=SETTINGS)
    clear = Figure(4.0, 0.5, 8.0)
    changes = [
        replace(c, verdict="can't tell", percent=clear, p=0.03, p_holm=0.06, note="")
        if c.statistic in ("median", "p95")
        else c
        for c in found.changes
    ]
    text = " ".join(text_of(render_comparison(replace(found, changes=tuple(changes)))).split())
    assert "median, p95: the interval is that figure's own; p is corrected" in text
    assert re.search(r"p99(, worst 5 %)?: \d+ loops in a run are too few: it needs 1,000", text)
    assert "mean: " not in text.partition("What explains")[0].partition("Before and after")[2]


@pytest.mark.parametrize(
    ("loops", "shown"),
    [
        ((51, 1500, 7, 600), "3.4 % 1.17 % -2.23 %"),  # 51 and 7 would not subtract
        ((48, 3000, 48, 2880), "1.6 % 1.67 % +0.07 %"), ((3, 9000, 0, 900), "0.033 % 0 % -0.033 %"),
        ((0, 900, 0, 900), "0 % 0 % 0"), ((1, 3, 2, 3), "33.33 % 66.67 % +33.34 %"),
    ],
)  # fmt: skip
def test_a_row_of_overruns_subtracts(loops, shown):
    """Of sides that hold unlike many loops, shares are shown, and their difference."""
    a, of_a, b, of_b = loops
    found = Change("period", "overruns", before=a, after=b, before_share=a / of_a,
                   after_share=b / of_b, difference=Figure(-59.0))  # fmt: skip
    assert " ".join(sides(found)) == shown


def test_different_robots_are_said_before_the_verdict():
    """Recordings of two robots are held against each other with a warning as the first words."""
    found = compare(
        [recording(1, robot="tray-carrier")], [recording(2, robot="spare")], settings=SETTINGS
    )
    first = " ".join(text_of(render_comparison(found)).split())
    assert first.startswith("Look out: robots differ: tray-carrier before, spare after.")


def test_what_is_cut_at_the_start_is_said(failed):
    """A second is left out of each run though no warm-up shows in it; nothing with the option."""
    runs = [recording(1)], [recording(2)]
    found = compare(*runs, settings=SETTINGS)
    assert {f.cut_s for f in (*found.before, *found.after)} == {1.0}
    for text in (text_of(render_comparison(found)), text_of(render_gate(failed))):
        assert "the first 1 s of each run are left out, at least 1 s" in " ".join(text.split())
    kept = compare(*runs, settings=replace(SETTINGS, keep_warmup=True))
    assert "are left out, at least" not in text_of(render_comparison(kept))


def test_a_gate_begins_with_its_verdict(failed):
    """The first line is the verdict in words, then why; what was checked stands last."""
    text = text_of(render_gate(failed))
    first, *_ = [line for line in text.splitlines() if line.strip()]
    assert "beyond the limit; new or slower calls: gyro.read (+" in " ".join(text.split())
    assert first.startswith("FAIL: ")
    assert text.index("its limit") < text.index("verdict") < text.index("What this rests on")
    assert "FAIL: " in text
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "\x00" not in text


def test_a_gate_does_not_say_that_what_was_not_judged_passes(failed):
    """Of the lines kept back those that pass are counted, the others named."""
    kept_back = [r for r in failed.rows if r.call and r.check != "limit" and r.verdict != "fail"]
    others = {r.verdict for r in kept_back} - {"pass"}
    assert others
    text = text_of(render_gate(failed))
    assert "figures pass and are not listed" in text
    for verdict in others:
        assert f"{verdict}: " in text


def test_a_share_is_shown_in_percent(failed):
    """A quarter of the loops over the budget is 25 %, its limit of a twentieth 5 %."""
    row = Row("limit", "overruns", "overruns", value=0.25, limit=0.05, unit="share")
    (line,) = [x for x in gate_markdown(replace(failed, rows=(row,))).splitlines() if "25" in x]
    assert [cell.strip() for cell in line.split("|")][3:5] == ["25.0 %", "5.00 %"]


def test_what_would_have_been_seen_of_calls_is_said_of_half_and_of_the_vague():
    """Of figures that would show 1, 2 and 4 % half show 2; one that shows 300 % not a doubling."""
    found = compare([recording(1)], [recording(2)], settings=SETTINGS)
    call = found.calls[0]

    def told(*percents):
        calls = tuple(replace(call, verdict="no change seen", seen_percent=p) for p in percents)
        text = text_of(render_comparison(replace(found, calls=calls, ranking=())))
        return " ".join(text.split())

    assert "of 3 figures; 2 % would have been seen in half of them, 4 % in each" in told(4, 1, 2)
    assert "2 % would have been seen in half of them, in 1 not even a doubling" in told(1, 2, 300)


@pytest.mark.parametrize("phases", [(("transport", 0.6), ("dock", 0.4)), (("transport", 1.0),), ()])
def test_phases_that_are_taken_together_are_said_with_the_next_step(phases):
    """Of one phase alone, or of none, nothing is said; of two, the longer one is named."""
    found = compare([recording(1)], [recording(2)], settings=SETTINGS)
    sides = (tuple(replace(f, phases=phases, source=f"{side} 1.csv") for f in facts)
             for side, facts in (("a", found.before), ("b", found.after)))  # fmt: skip
    before, after = sides
    text = text_of(render_comparison(replace(found, before=before, after=after), " --to 9"))
    step = '> looptime compare "a 1.csv" --against "b 1.csv" --phase transport --to 9'
    assert (step in text) == (len(phases) > 1)


def test_a_comparison_of_mixed_phases_says_so_behind_its_answer():
    """In the sentences of the JSON, too."""
    made = replace(compare([recording(1)], [recording(2)], settings=SETTINGS))
    mixed = (("transport", 0.6), ("dock", 0.4))
    facts = [tuple(replace(f, phases=mixed) for f in side) for side in (made.before, made.after)]
    (said,) = together(replace(made, before=facts[0], after=facts[1]))
    assert said.startswith("The phases are taken together (transport 60 %, dock 40 %)")
    assert together(made) == []
