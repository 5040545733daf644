"""Two sides made ready: what is unlike, the order of recording, one cut for both."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from looptime.checks.compare.compare import compare
from looptime.checks.compare.explain import PACING_WAIT
from looptime.checks.compare.sides import equalise, once, unlike
from looptime.checks.gate.gate import _refuse_unlike
from looptime.checks.recording.facts import Facts
from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, record
from looptime.errors import UsageError
from tests.build_run import make_run
from tests.checks.build import CALLS, cut, paced, recording
from tests.checks.compare.build import (
    SETTINGS,
    change_named,
    compare_sides,
    even_periods,
    made_sides,
)


def test_what_is_unlike_is_said_first():
    """Calls, ticks, pacing, lengths and robots that differ are all named."""
    a = recording(1, robot="tray-carrier")
    b = paced(recording(2, loops=2000, calls={"camera.read": 2.0}), 20.0)
    found = compare([a], [b], settings=SETTINGS)
    assert {u.what for u in found.unlike} == {"robot", "pacing", "calls", "length"}


@pytest.mark.parametrize(
    ("one", "other", "advice"),
    [(("standby", "transport"), ("transport",), "2.csv lacks standby; choose one with --phase"),
     (("standby",), ("transport",),
      "2.csv lacks standby; 1.csv lacks transport; take runs that have a phase in common"),
     ((), ("transport",), "1.csv does not say its phases: take runs that both do"),
     (("transport",), (), "2.csv does not say its phases: take runs that both do")],
)  # fmt: skip
def test_the_advice_about_unlike_phases_can_be_followed(one, other, advice):
    """A phase is to be chosen only where both sides have it, in compare as in the gate."""
    a, b = (
        Facts(source=f"{k}.csv", phases=tuple((name, 1 / len(names)) for name in names))
        for k, names in ((1, one), (2, other))
    )
    with pytest.raises(UsageError, match=f": {advice}$"):
        unlike([SimpleNamespace(facts=a)], [SimpleNamespace(facts=b)])
    here = advice.replace("--phase", "--phase NAME, here and in looptime season add for the base")
    with pytest.raises(UsageError, match=f": {here}"):
        _refuse_unlike(b, [a])


def test_the_order_of_recording_is_read_and_warned_about():
    """AAABBB is fitted with a trend; unknown times are said."""
    before, after = made_sides((1.0, 1.03), order="AAABBB")
    found = compare_sides(before, after)
    assert found.order.letters == "AAABBB"
    assert any("not interleaved" in u.text for u in found.unlike)
    trend = [
        recording(k, loops=2600, scale=1 + 0.01 * k, time=f"2026-03-01T10:{k:02}") for k in range(6)
    ]
    assert compare_sides(trend[:3], trend[3:]).verdict != "slower"
    unknown = compare_sides([recording(1), recording(2)], [recording(3), recording(4)])
    assert any("order of recording is not known" in u.text for u in unknown.unlike)


def test_even_periods_alone_do_not_make_recordings_the_same():
    """Loops of one length whose calls differ: not taken for one recording on both sides."""
    fixed = [even_periods(recording(s, loops=3000)) for s in (1, 2)]
    found = compare_sides([fixed[0]], [fixed[1]])
    assert not [u for u in found.unlike if u.what == "same"]
    itself = compare_sides([fixed[0]], [fixed[0]])
    assert [u.what for u in itself.unlike if u.what == "same"]
    assert (itself.verdict, itself.exit_code) == ("no change seen", 0)


def test_a_recording_that_stands_twice_is_said():
    """The same recording on both sides is named; the same sets have no difference."""
    a, b, c = recording(1), recording(2), recording(3)
    found = compare_sides([a, b], [b, c])
    assert any("run-2.csv" in u.text for u in found.unlike if u.what == "same")
    same = compare_sides([a, b, c], [c, a, b])
    assert same.verdict == "no change seen"
    assert change_named(same, "mean").difference.value == 0.0


def test_hardly_interleaved_sides_are_warned_of():
    """In AABABB the places of A are 0, 1 and 3 and those of B 2, 4 and 5: 7/9 of half the runs."""
    a, b = made_sides(order="AABABB")
    (warning,) = [u for u in compare_sides(a, b).unlike if u.what == "order"]
    assert "hardly interleaved (AABABB)" in warning.text
    assert not [u for u in compare_sides(*made_sides()).unlike if u.what == "order"]


def test_both_sides_lose_as_much_at_their_start():
    """A warm-up of one recording is cut off the other, too, so that both are of one age."""
    rng = np.random.default_rng(1)
    t = np.arange(3000) * 0.01
    warm = make_run(10 * (1 + 0.3 * np.exp(-t)) * rng.lognormal(0, 0.02, 3000))
    even = make_run(10 * rng.lognormal(0, 0.02, 3000))
    own = [record(run).cut_s for run in (warm, even)]
    assert own[0] > own[1] == 1.0
    (one,), (other,) = equalise([[warm], [even]], Settings())
    assert one.facts.cut_s == other.facts.cut_s == own[0]


def test_a_line_through_the_session_is_no_verdict_by_itself():
    """Each side climbs by 1.5 % a run and starts anew: the figures are alike, the trend is not."""
    climb = [1.0, 1.015, 1.03, 1.0, 1.015, 1.03]
    runs = [
        recording(k, loops=2600, scale=by, stalls=0.0, time=f"2026-03-01T10:{10 * k:02}")
        for k, by in enumerate(climb)
    ]
    found = compare_sides(runs[:3], runs[3:])
    mean = change_named(found, "mean")
    assert found.order.letters == "AAABBB"
    assert abs(mean.after / mean.before - 1) < 0.005
    assert mean.percent.high < -2
    assert mean.verdict == "can't tell"
    assert "only a trend along the session" in mean.note


def test_pieces_of_one_recording_count_as_one_run():
    """Two recordings 0.8 % apart, each cut in three: one run a side, which tells nothing sure."""
    pieces = [cut(recording(seed, loops=6000, scale=scale), 2000, 4000)
              for seed, scale in ((1, 1.0), (2, 1.008))]  # fmt: skip
    found = compare_sides(*pieces)
    assert [len(side) for side in (found.before, found.after)] == [1, 1]
    assert found.verdict == "can't tell"
    assert [u.text.partition(":")[0] for u in found.unlike if u.what == "pieces"] == [
        "0.csv, 1.csv and 2.csv follow one another on one clock"
    ] * 2


def test_pieces_on_both_sides_are_told():
    """The second half of a recording against its first."""
    first, second = cut(recording(1), 2000)
    (told,) = [u.text for u in compare_sides([first], [second]).unlike if u.what == "pieces"]
    assert told.startswith("1.csv goes on, on the same clock, where 0.csv ends")


def test_copies_count_as_one_run_and_are_named_with_what_they_are_copies_of():
    """Two copies of one recording, one of another, and a third by itself."""
    one, other, alone = (recording(seed, source=f"{seed}.csv") for seed in (1, 2, 3))
    runs = [one, replace(one, source="b.csv"), other, replace(one, source="c.csv"),
            replace(other, source="d.csv"), alone]  # fmt: skip
    kept, said = once(runs, SETTINGS)
    assert sorted(item.source for item in kept) == ["1.csv", "2.csv", "3.csv"]
    assert [(u.what, u.text) for u in said] == [
        ("copies", "b.csv and c.csv are copies of 1.csv: they count as one run"),
        ("copies", "d.csv is a copy of 2.csv: both count as one run"),
    ]


def test_a_recording_given_twice_is_no_copy_of_itself():
    """The same name twice, beside another."""
    one, other = recording(1, source="1.csv"), recording(2, source="2.csv")
    kept, said = once([one, one, other], SETTINGS)
    assert len(kept) == 2
    assert [u.text for u in said] == ["1.csv was given 2 times: it counts as one run"]


def test_one_name_on_each_side_is_no_log_of_several_runs():
    """`run.csv` of two folders; that one of them holds two runs is said of it alone."""

    def order(*sides):
        found = compare_sides(*([recording(k, source=name) for k, name in at] for at in sides))
        return " ".join(u.text for u in found.unlike if u.what == "order")

    old, new = ([(k, f"{folder}/run.csv") for k in ks]
                for folder, ks in (("old", (1, 2)), ("new", (3,))))  # fmt: skip
    assert order(old, new).startswith("run.csv holds more than one run")
    assert "more than one run" not in order(
        [(1, "old/a.csv"), (2, "old/b.csv")], [(3, "new/a.csv")]
    )


def test_stored_figures_of_a_longer_run_could_not_be_cut():
    """A run of twice as many loops: cut where its loops are at hand, else said."""
    runs = recording(1, loops=4000), recording(2, loops=2000)
    stored = [measure(record(run, SETTINGS).series()) for run in runs]
    for sides, what in ((runs, "all are cut to"), (stored, "stored runs could not be cut")):
        (said,) = [u.text for u in compare([sides[0]], [sides[1]], settings=SETTINGS).unlike
                   if u.what == "length"]  # fmt: skip
        assert what in said


def test_periods_are_compared_where_work_is_known_on_one_side_only():
    """Paced to 20 ms, with its wait logged before and bare stamps after."""
    logged = paced(recording(1), 20.0)
    bare = even_periods(recording(2, calls={}))
    found = compare([logged], [bare], settings=SETTINGS)
    assert [u.text for u in found.unlike if u.what == "work"] == [
        "the pacing wait is logged in some runs only: periods are compared, which hide what fits"
        " the pace"
    ]
    assert {c.quantity for c in found.changes} == {"period"}
    at, mean = found.explained, change_named(found, "mean")
    assert sum(p.difference_ms for p in at.parts) == pytest.approx(mean.difference.value, abs=1e-9)
    waited = {p.name: p.before_ms for p in at.parts}[PACING_WAIT]
    assert waited == pytest.approx(20 - (sum(CALLS.values()) + 0.2), abs=0.1)
