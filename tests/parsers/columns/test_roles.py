"""What columns are of a loop, told from values whose making is known."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.parsers.columns.against_steps import Steps, fits, together
from looptime.parsers.columns.role import ROLES, Seen
from looptime.parsers.columns.roles import _of_the_loop, _rises, _spans, judge
from looptime.parsers.columns.stamped_at import stamped
from tests.parsers.build import read, self_ms

ROWS = 400
MS = 1_000_000


def parts(seed=3):
    """Three parts of a loop [ms], one of them with a long tail."""
    draw = np.random.default_rng(seed)
    return {
        "gyro": 1 + 0.2 * draw.random(ROWS),
        "drive": 4 + 0.3 * draw.random(ROWS),
        "camera": 0.6 + 0.1 * draw.random(ROWS) + 30 * (draw.random(ROWS) < 0.05),
    }


def clock_of(period, end=False):
    """A clock [ns] whose rows are stamped at the start, or at the end, of loops so long [ms]."""
    ends = np.cumsum(period)
    return (ends if end else ends - period) * MS


def seen(meaning="bare", unit_ns=None, **columns):
    """Columns to judge."""
    return [Seen(meaning, v, unit_ns, tuple(k.split("_")), k) for k, v in columns.items()]


def taken(judged):
    """Roles by word."""
    return [role.taken_as for role in judged.roles]


@pytest.mark.parametrize("meaning", ["bare", "duration"])
@pytest.mark.parametrize("scale", [1e-3, 1, 1e3, 1e6])
@pytest.mark.parametrize("end", [False, True])
def test_parts_without_a_unit(meaning, scale, end):
    """The unit is that in which the clock's steps grow with the parts; both ends are told."""
    lengths = parts()
    clock = clock_of(sum(lengths.values()) + 0.4, end)
    found = judge(seen(meaning, **{k: v * scale for k, v in lengths.items()}), clock)
    assert taken(found) == ["part"] * 3
    assert {role.unit_ns for role in found.roles} == {MS / scale}
    assert found.stamped.side == ("end" if end else "start")


def test_headings_beside_a_clock_are_no_parts():
    """Values without a name that do not move the clock's steps stay values."""
    lengths = parts()
    draw = np.random.default_rng(8)
    beside = seen(mast=90 + draw.random(ROWS), lift=np.cumsum(draw.normal(size=ROWS)) ** 2)
    clock = clock_of(sum(lengths.values()))
    assert taken(judge(beside, clock)) == ["signal", "signal"]


def test_bare_words_of_a_paced_loop_are_not_believed():
    """Where every loop is as long as every other nothing says that numbers are lengths."""
    assert taken(judge(seen(**parts()), clock_of(np.full(ROWS, 60.0)))) == ["signal"] * 3


def test_bare_words_beside_the_length_of_the_loop():
    """A loop time without a unit gives bare words its unit, and they are called likely.

    Where it is their sum they surely are its parts; here it is that of half of the camera's.
    """
    lengths = parts()
    loop = Seen("whole", sum(lengths.values()) - lengths["camera"] / 2 + 20, None, (), "Loop Time")
    found = judge([loop, *seen(**lengths)], clock_of(np.full(ROWS, 60.0)))
    assert taken(found) == ["whole", "part", "part", "part"]
    assert {role.unit_ns for role in found.roles} == {MS}
    assert {role.sure for role in found.roles[1:]} == {"likely"}


def test_loop_time_of_the_loop_before():
    """A column that equals the step before its row is a period, and the parts move the next."""
    lengths = parts()
    period = sum(lengths.values()) + 1
    late = Seen("whole", np.append(0, period[:-1]), None, (), "Loop Time")
    found = judge([*seen(**lengths), late], clock_of(period))
    assert found.roles[-1].taken_as == "period"
    assert (found.roles[-1].step, found.roles[-1].unit_ns) == ("before", MS)
    assert found.stamped.side == "start"


def test_work_and_period_and_jitter():
    """Work fits into the period, the period equals the steps, and jitter has both signs."""
    work = sum(parts().values())
    period = np.maximum(work, 10.0)
    columns = [
        Seen("busy", work * 1e3, 1000), Seen("period", period * 1e3, 1000),
        Seen("deviation", period * 1e3 - 1e4, 1000), Seen("duration", period - 12, MS),
    ]  # fmt: skip
    found = judge(columns, clock_of(period))
    assert taken(found) == ["whole", "period", "deviation", "deviation"]
    assert taken(judge(columns, None)) == ["whole", "period", "deviation", "deviation"]


def test_timers_of_the_run_and_of_its_start():
    """What rises from row to row times the run; what ends after the first row, the start-up."""
    lengths = parts()
    period = sum(lengths.values())
    boot = np.zeros(ROWS)
    boot[0] = 1100.0
    columns = [Seen("duration", np.cumsum(period) + 70, MS), Seen("duration", boot, MS)]
    assert taken(judge(columns, clock_of(period))) == ["run timer", "start-up timer"]


def test_longer_than_the_loop_is_a_latency_or_a_setting():
    """No part is longer than its loop: what varies so is a latency, what never varies is set."""
    period = sum(parts().values())
    columns = seen("duration", MS, pipe=80 + np.arange(ROWS) % 7, limit=np.full(ROWS, 100.0))
    assert taken(judge(columns, clock_of(period))) == ["latency", "setting"]


def test_part_in_a_part_by_its_name():
    """A part whose name goes on from another's, and which it grows with, lies in it."""
    lengths = parts()
    outer = lengths["camera"] + lengths["gyro"]
    columns = seen("duration", MS, see=outer, see_grab=lengths["camera"], drive=lengths["drive"])
    found = judge(columns, clock_of(outer + lengths["drive"]))
    assert [role.inside for role in found.roles] == [-1, 0, -1]


@pytest.mark.parametrize("order", [[0, 1, 2, 3], [2, 0, 3, 1], [1, 3, 0, 2]])
def test_part_that_is_the_sum_of_others(order):
    """A timer around others is found by its values, in any order of the columns."""
    lengths = parts()
    lengths["reads"] = lengths["gyro"] + lengths["camera"] + 0.01
    period = lengths["reads"] + lengths["drive"] + 0.2
    named = list(lengths)
    columns = seen("duration", MS, **{named[k]: lengths[named[k]] for k in order})
    found = judge(columns, clock_of(period))
    inside = {c.name: role.inside for c, role in zip(columns, found.roles, strict=True)}
    around = [column.name for column in columns].index("reads")
    assert inside == {"reads": -1, "drive": -1, "gyro": around, "camera": around}


def test_what_runs_beside_the_loop():
    """Parts that together are longer than the loop are not all parts: one runs beside it."""
    lengths = parts()
    period = sum(lengths.values()) + 0.3
    beside = 0.8 * period.min() + 0.4 * np.random.default_rng(1).random(ROWS)
    found = judge(seen("duration", MS, **lengths, stream=beside), clock_of(period))
    assert taken(found) == ["part", "part", "part", "beside"]
    assert found.roles[-1].sure == "unsure"


def test_few_rows_are_taken_by_name():
    """With a handful of rows the headers alone are believed."""
    columns = [Seen("duration", np.array([1.0, 2, 3]), MS), Seen("latency", np.ones(3), MS)]
    assert taken(judge(columns, np.array([0.0, 1, 2]) * 20 * MS)) == ["part", "latency"]


def test_stamps_of_a_paced_loop_written_after_its_work():
    """The step before a row written after the work grows with it, the one after it shrinks."""
    work = 5 + (np.arange(200) * 37 % 11) * 0.4
    steps = np.diff(np.arange(200) * 20 + work)
    found = stamped(work, np.append(steps, np.nan))
    assert found.side == "end"
    assert "before it by 0." in found.why


def test_even_loops_tell_no_end():
    """Where no length varies neither end is told."""
    assert stamped(np.full(99, 3.0), np.full(99, 20.0)).side == ""


def test_every_order_of_columns_is_judged_alike():
    """What a column is taken for does not depend on where it stands."""
    lengths = parts()
    period = sum(lengths.values()) + 0.5
    columns = [
        *seen("bare", **lengths), Seen("whole", period, None, (), "Loop"),
        Seen("signal", np.sin(np.arange(ROWS)), None, ("heading",), "heading"),
    ]  # fmt: skip
    expected = judge(columns, clock_of(period)).roles
    for seed in range(5):
        order = np.random.default_rng(seed).permutation(len(columns))
        found = judge([columns[k] for k in order], clock_of(period)).roles
        assert [replace(role, why="", unit_from="") for role in found] == [
            replace(expected[k], why="", unit_from="") for k in order
        ]


def test_closed_list_of_roles():
    """Every role that is given stands in the list."""
    assert len(set(ROLES)) == len(ROLES)


@pytest.mark.parametrize("end", [False, True])
def test_lengths_under_the_names_of_signals(end):
    """A column named like a signal is a part where the loop is longer by as much as it is."""
    lengths = parts()
    draw = np.random.default_rng(12)
    beside = draw.normal(200, 20, ROWS)
    clock = clock_of(sum(lengths.values()) + 0.2, end)
    names = ("imu_heading", "drive_pos", "range")
    columns = dict(zip(names, lengths.values(), strict=True)) | {"speed": beside}
    found = judge(seen("signal", **columns), clock)
    assert taken(found) == ["part", "part", "part", "signal"]
    assert [(r.unit_ns, r.sure) for r in found.roles[:3]] == [(MS, "sure")] * 3


def test_length_under_the_name_of_a_signal_stamped_before_the_rest():
    """A row stamped after its first part has that part in the step before it, the rest after."""
    first, *rest = parts().values()
    starts = np.cumsum(np.append(0, first + sum(rest) + 0.1))[:-1]
    found = judge(seen("signal", a=first, b=rest[0], c=rest[1]), (starts + first) * MS)
    assert taken(found) == ["part"] * 3


def test_signals_of_a_paced_loop_stay_signals():
    """Where the steps of the clock do not vary, nothing tells that a signal is a length."""
    jitter = 0.01 * np.random.default_rng(4).random(ROWS)
    found = judge(seen("signal", **parts()), clock_of(40 + jitter))
    assert taken(found) == ["signal"] * 3


@pytest.mark.parametrize("factor", [1e3, 1e-3])
def test_false_units_in_headers(factor):
    """Lengths a thousandfold too long or too short for the loop are in the unit that fits."""
    lengths = {k: v * factor for k, v in parts().items()}
    clock = clock_of(sum(parts().values()) + 0.3)
    found = judge(seen("duration", MS, **lengths), clock)
    assert {(r.taken_as, r.unit_ns, r.sure) for r in found.roles} == {
        ("part", MS / factor, "likely")
    }
    assert found.roles[0].unit_from.startswith("its header says ms")


def test_parts_that_are_a_hundredth_of_the_loop_keep_the_unit_of_their_header():
    """Short parts are no reason to doubt a header where the steps do not grow with them."""
    lengths = {k: v / 100 for k, v in parts().items()}
    idle = 5 + np.random.default_rng(2).random(ROWS)
    found = judge(seen("duration", MS, **lengths), clock_of(sum(lengths.values()) + idle))
    assert {(r.taken_as, r.unit_ns, r.sure) for r in found.roles} == {("part", MS, "sure")}


def test_sums_beside_their_parts_hide_nothing():
    """A column that is the sum of two others beside the clock leaves their lengths evident."""
    lengths = parts()
    both = lengths["gyro"] + lengths["drive"]
    clock = clock_of(sum(lengths.values()) + 0.3)
    found = judge(seen(head=both, **lengths), clock)
    assert taken(found)[1:] == ["part"] * 3


@pytest.mark.parametrize(
    ("unit", "fit"), [(1, False), (1000, False), (10**6, True), (10**9, False)]
)
def test_parts_fill_some_of_the_loop_and_no_more_than_all(unit, fit):
    """Parts of 4 and 5 in loops of 10 ms are no nanoseconds (too little), no seconds (too much)."""
    step = np.full(50, 10e6) + 1e4 * np.arange(50)
    steps = Steps(step, step, float(np.median(step)), {})
    seen = [Seen("duration", np.full(50, 4.0)), Seen("duration", np.full(50, 5.0))]
    assert fits(seen, [0, 1], unit, steps) is fit


@pytest.mark.parametrize(("longer", "side"), [("after", "end"), ("before", "start"), ("both", "")])
def test_rows_that_are_longer_than_one_step_are_stamped_at_the_other_end(longer, side):
    """No loop takes more than the step that holds it; longer than both tells nothing."""
    rng = np.random.default_rng(3)
    total, after = rng.uniform(4, 9, 200), np.full(200, 10.0)
    at = np.arange(20, 180, 10)
    total[at] = 15.0
    if longer == "before":
        after[at] = 16.0
    elif longer == "after":
        after[at - 1] = 16.0
    found = stamped(total, after)
    assert found.side == side, found.why


def test_steps_of_next_to_nothing_tell_nothing():
    """Their squares are zero in floats, and no share can be taken of that."""
    with np.errstate(all="raise", under="ignore"):
        table = np.random.default_rng(3).normal(5, 1, (200, 2))
        assert together(table, 6e-299 * np.arange(200.0)) is None


def test_parts_of_a_loop_whose_pace_changes():
    """Sleeping of three lengths hides the parts in the steps, not in what differs row by row."""
    lengths, sleeps = parts(), np.repeat([60.0, 0.3, 9.0], [150, 100, 150])
    found = judge(seen(**lengths), clock_of(sum(lengths.values()) + sleeps))
    assert taken(found) == ["part"] * 3
    assert {role.unit_ns for role in found.roles} == {MS}


def test_a_column_that_is_the_step_again_leaves_the_parts_to_be_found():
    """Whatever it is called, it is the period; what the rest adds up to is less by the overhead."""
    lengths = parts()
    step = sum(lengths.values()) + 0.3 + 0.1 * np.random.default_rng(2).random(ROWS)
    found = judge(seen(**lengths, lp=step), clock_of(step))
    assert taken(found) == ["part"] * 3 + ["period"]
    assert {role.unit_ns for role in found.roles} == {MS}


def test_a_signal_that_stays_near_the_step_is_none():
    """A temperature of 20 beside a pace of 20 ms does not go with its jitter."""
    draw = np.random.default_rng(12)
    step = 20 + 0.05 * draw.normal(size=ROWS)
    found = judge(seen(hot=20 + 0.05 * draw.normal(size=ROWS)), clock_of(step))
    assert taken(found) == ["signal"]


@pytest.mark.parametrize(
    ("climb_ms", "unit_ns", "clock", "spans"),
    [(100, MS, True, True), (70, MS, True, True), (140, MS, True, True), (69, MS, True, False),
     (141, MS, True, False), (100, None, True, False), (100, MS, False, False),
     (100, 1000, True, False)],
)  # fmt: skip
def test_a_timer_climbs_by_as_much_as_the_clock(climb_ms, unit_ns, clock, spans):
    """Over 100 ms by the clock: between 0.7 and 1.4 times that, in a unit that is known."""
    timer = Seen("bare", np.array([3.0, np.nan, 3 + climb_ms]), unit_ns)
    assert _spans(timer, np.array([0.0, 50, 100]) * MS if clock else None) is spans


@pytest.mark.parametrize(
    ("steps", "rises"),
    [([1] * 5, True), ([1] * 4, False), ([1] * 3 + [0] * 7, True), ([1] * 2 + [0] * 8, False),
     ([1] * 98 + [-1] * 2, True), ([1] * 97 + [-1] * 3, False)],
)  # fmt: skip
def test_a_timer_never_falls_and_mostly_climbs(steps, rises):
    """Five steps or more, of which 98 in 100 do not fall and 3 in 10 climb."""
    assert _rises(np.cumsum([7.0, *steps])) is rises


@pytest.mark.parametrize(
    ("rows", "clock", "said"),
    [(3, True, "its header says so"), (9, False, "its header says so"),
     (4, True, "its header says so, and it is 50 % of the clock's steps")],
)  # fmt: skip
def test_the_whole_is_held_against_steps_where_there_are_some(rows, clock, said):
    """Work of 10 ms in loops of 20: with fewer than three steps, or no clock, the header counts."""
    whole = Seen("whole", np.full(rows, 10.0), MS)
    steps = Steps.of(20.0 * MS * np.arange(rows), [whole])
    role = _of_the_loop(whole, steps, clock)
    assert (role.taken_as, role.unit_ns, role.unit_from, role.why) == ("whole", MS, "header", said)


@pytest.mark.parametrize("end", [False, True])
def test_a_step_that_steps_of_the_clock_are_longer_than_is_the_work(end):
    """A step takes 6 to 10 ms, and then the loop sleeps for 10: each stamp is so much further on.

    Of rows that hold the period of one loop in two, the column is the period.
    """
    rng = np.random.default_rng(4)
    step = rng.uniform(6, 10, ROWS)
    found = judge([Seen("period", step, MS)], clock_of(step + 10 + rng.uniform(0, 1, ROWS), end))
    assert taken(found) == ["whole"]
    other = rng.uniform(6, 10, ROWS)
    assert taken(judge([Seen("period", step, MS)], clock_of(step + other, end))) == ["period"]


def test_a_part_may_be_called_a_whole():
    """A scan is one of three parts where the steps grow with each; beside its parts it is whole."""
    lengths = parts()
    clock = clock_of(sum(lengths.values()) + 0.1)
    one = [*seen("whole", scan=lengths["gyro"]),
           *seen(drive=lengths["drive"], say=lengths["camera"])]  # fmt: skip
    assert taken(judge(one, clock)) == ["part"] * 3
    said = [*seen("whole", MS, scan=lengths["drive"]),
            *seen("duration", MS, gyro=lengths["gyro"], say=lengths["camera"])]  # fmt: skip
    assert taken(judge(said, clock)) == ["part"] * 3  # in most of the loop, and in a unit
    work = lengths["gyro"] + lengths["drive"]
    paced = judge(
        [*seen("whole", scan=work), *seen("duration", MS, **lengths)], clock_of(np.full(ROWS, 50.0))
    )
    assert taken(paced)[0] == "whole"


def test_two_parts_longer_than_a_whole_take_it_for_one_of_them():
    """Where the pace is even the steps tell nothing: arithmetic says that a scan holds no others.

    One part that outgrows it is not enough: the wait may stand beside the work.
    """
    rng = np.random.default_rng(4)
    paced = clock_of(np.full(ROWS, 18.0))
    scan, track, hub, wait = (rng.uniform(1, 3, ROWS) for _ in range(4))
    whole, rest = seen("whole", MS, scan=scan), seen("duration", MS, track=track, hub=hub)
    assert taken(judge([*whole, *rest], paced)) == ["part"] * 3
    inside = seen("duration", MS, track=0.4 * scan, wait=16 - wait)
    assert taken(judge([*whole, *inside], paced))[0] == "whole"


def test_late_loops_tell_a_whole_from_a_part_beside_others():
    """A paced loop of 10 ms that is late by what one part is longer: others lie beside or in it."""
    rng = np.random.default_rng(6)
    first, second, third = (rng.uniform(low, low + 0.4, ROWS) for low in (3.2, 2.0, 1.5))
    first[::12] += 9
    late = np.maximum(10, first + second + third + 0.05)
    for name in ("scan", "loop"):
        one = [*seen("whole", **{name: first}), *seen(ctrl=second, out=third)]
        assert taken(judge(one, clock_of(late))) == ["part"] * 3
    whole = first + second + third
    around = [*seen("whole", loop=whole), *seen(ctrl=second, out=third)]
    assert taken(judge(around, clock_of(np.maximum(10, whole + 0.05))))[0] == "whole"


def test_parts_of_a_coarse_clock_fit_in_by_its_tick():
    """Steps of 8 and 12 ms of a clock that ticks in 4 ms hold three parts of 9.6 ms together."""
    rng = np.random.default_rng(8)
    lengths = {name: rng.normal(usual, 0.1, ROWS) for name, usual in
               (("cam", 6.2), ("grab", 1.0), ("pump", 2.2))}  # fmt: skip
    lengths["grab"][::40] += 18
    begin = np.cumsum(sum(lengths.values()) + 0.3)
    coarse = np.floor(begin / 4) * 4
    assert taken(judge(seen(**lengths), coarse * 1e6)) == ["part"] * 3
    said = judge([*seen(**lengths), *seen(level=rng.normal(9.0, 0.1, ROWS))], coarse * 1e6)
    assert taken(said)[-1] == "signal"


def test_two_values_beside_a_coarse_clock_can_not_be_told():
    """A length of 0 or 1 ms of a clock in whole ms may be one; two values in us are a flag."""
    rng = np.random.default_rng(9)
    short, step = rng.integers(0, 2, ROWS), rng.integers(5, 8, ROWS)
    told = judge(seen(enc=short.astype(float)), np.cumsum(step) * 1e6).roles[0]
    assert (told.taken_as, told.sure) == ("signal", "unsure")
    fine = np.cumsum(rng.integers(5000, 8000, ROWS)) * 1e3
    assert judge(seen(enc=short.astype(float)), fine).roles[0].sure == "likely"


def test_a_load_in_percent_is_no_length():
    """Values of 40 to 49 fit into steps of 13 ms in no unit that matters."""
    draw = np.random.default_rng(1)
    busy = seen("busy", cpu=40.0 + draw.integers(0, 9, ROWS))
    assert taken(judge(busy, clock_of(13 + draw.random(ROWS)))) == ["signal"]


@pytest.mark.parametrize("back", [False, True])
def test_a_position_without_a_name_is_no_part(back):
    """A way that grows as the loop gets slower; the noisy length that slows it stays a part."""
    chance, n = np.random.default_rng(8), 1200
    part = 3 + 14 * np.arange(n) / n + chance.normal(0, 0.4, n)
    clock = np.cumsum(18 + part + chance.normal(0, 0.3, n)) * 1e6
    ahead = np.where(np.arange(n) < 900, 1, -1) if back else 1
    way = 4 + np.cumsum(ahead * 0.0125 + chance.normal(0, 0.001, n))
    found = judge([Seen("bare", way), Seen("bare", part)], clock).roles
    assert [role.taken_as for role in found] == ["signal", "part"]
    assert judge([Seen("bare", way)], clock).roles[0].taken_as == "signal"


@pytest.mark.parametrize(
    ("header", "clock"), [("t_ms,us,them", 1.0), ("match_time,us,rival", 1e-3)]
)
def test_a_score_under_the_name_of_a_unit_is_no_length_of_time(tmp_path, header, clock):
    """What our own side has, beside "them", stays as it is for long and never falls."""
    rng, t, rows = np.random.default_rng(6), 0.0, [header]
    for k in range(400):
        rows.append(f"{t * clock:.4f},{5 * (k // 60)},{4 * (k // 90)}")
        t += 20 + rng.normal(0, 0.3)
    run = read(tmp_path, "\n".join(rows) + "\n")
    assert not run.names
    assert run.signals.values["us"].max() == 30


def test_what_stands_under_a_unit_alone_is_not_certain(tmp_path):
    """A bare "us" that moves as an angle does may be the time of a part: that is said."""
    rows = [f"{20 * k + k % 2},{60 + 20 * np.sin(k / 30):.1f}" for k in range(300)]
    run = read(tmp_path, "\n".join(["t_ms,us", *rows]) + "\n")
    assert any("not certain what us is" in note for note in run.clock.notes)


@pytest.mark.parametrize("unit_ns", [1_000, 1_000_000])
@pytest.mark.parametrize("late", [30, 4])
def test_what_paced_loops_are_late_by_is_a_part(unit_ns, late):
    """Loops of 20 ms that send for 18 to 30 ms are late by it; 4 of 600 tell nothing."""
    draw = np.random.default_rng(8)
    gyro, send, battery = (
        draw.normal(at, by, 600) for at, by in ((2, 0.1), (1, 0.1), (12.4, 0.05))
    )
    send[draw.choice(np.arange(1, 599), late, replace=False)] += draw.uniform(18, 30, late)
    step = np.maximum(20.0, gyro + send + 3.1) + draw.normal(0, 0.02, 600)
    clock = np.concatenate([[0], np.cumsum(step)[:-1]]) * 1e6
    scale = 1e6 / unit_ns
    found = judge(
        [Seen("bare", gyro * scale, words=("gyro",)), Seen("bare", send * scale, words=("send",)),
         Seen("signal", battery)],
        clock,
    ).roles  # fmt: skip
    told = ["part", "part", "signal"] if late == 30 else ["signal"] * 3
    assert [role.taken_as for role in found] == told
    assert [role.unit_ns for role in found[:2]] == ([unit_ns] * 2 if late == 30 else [None] * 2)


@pytest.mark.parametrize(
    ("count", "whole"),
    [("ciclo", "ciclo total (us)"), ("zyklus", "zyklus gesamt (us)"), ("period", "period (us)"),
     ("cykl", "suma (us)"), ("step", "alles (us)")],
)  # fmt: skip
@pytest.mark.parametrize("lost", [0, 7])
def test_what_counts_loops_is_no_length_beside_the_whole(tmp_path, count, whole, lost):
    """A counter under the word of a length measures nothing; what holds all others is the whole."""
    random = np.random.default_rng(7)
    usual = np.array([[1200], [3800], [1500]])
    parts = (usual * (1 + random.normal(0, 0.06, (3, 200)))).astype(int)
    parts[1, 20::37] += 15_000
    total = parts.sum(axis=0) + random.integers(50, 200, 200)
    number = np.arange(200) + (np.arange(200) >= 90) * lost
    rows = "".join(f"{k};{a};{b};{c};{t}\n"
                   for k, a, b, c, t in zip(number, *parts, total, strict=True))  # fmt: skip
    run = read(tmp_path, f"{count};gyro (us);ruedas (us);brazo (us);{whole}\n{rows}")
    own = self_ms(run)
    assert sorted(own) == ["brazo", "gyro", "ruedas"]
    periods = run.loop_columns.period_ns / 1000
    assert sorted(periods.tolist()) == sorted(total[-len(periods) :].tolist())


def test_letters_are_parts_only_where_the_loop_grows_with_them(tmp_path):
    """G, E and M of terse lines add up to the loop but for 1 ms; a and b have no part in it."""
    draw = np.random.default_rng(5)
    took = draw.normal((4, 7, 5), 0.3, (400, 3)).round(1)
    loop = (took.sum(axis=1) + 1 + 12 * (np.arange(400) % 75 == 30)).round(1)
    start = np.cumsum(loop) - loop
    lines = [f"T={t:.0f} G={g} E={e} M={m} LOOP={whole}"
             for t, (g, e, m), whole in zip(start, took, loop, strict=True)]  # fmt: skip
    run = read(tmp_path, "\n".join(lines) + "\n")
    assert [name.name for name in run.names] == ["G", "E", "M"]
    rows = [
        f"{t:.0f},{whole},{a:.2f},{b:.2f}\n"
        for t, whole, (a, b) in zip(start, loop, draw.uniform(1, 3, (400, 2)), strict=True)
    ]
    run = read(tmp_path, "t_ms,loop,a,b\n" + "".join(rows), "values.csv")
    assert run.names == ()
    assert set(run.signals.values) == {"a", "b"}


@pytest.mark.parametrize("empty", ["", "-", "NaN"])
@pytest.mark.parametrize(("name", "every"), [("azimuth", 2), ("position", 3), ("filtr", 5)])
def test_a_part_that_is_left_out_of_loops_is_a_part(tmp_path, name, every, empty):
    """The step is shorter by it where its cell is empty, whatever its header may mean elsewhere."""
    random = np.random.default_rng(every)
    took = np.array([[1.0], [2.0], [2.5]]) * random.normal(1, 0.06, (3, 400))
    took[1, np.arange(400) % every > 0] = 0
    at = np.concatenate([[0], np.cumsum(took.sum(axis=0) + 0.1)])
    cells = np.where(took[1] > 0, np.char.mod("%.3f", took[1]), empty)
    rows = "".join(f"{t:.3f};{a:.3f};{b};{c:.3f}\n"
                   for t, a, b, c in zip(at, took[0], cells, took[2], strict=False))  # fmt: skip
    run = read(tmp_path, f"t_ms;gyro;{name};drive\n{rows}")
    own = self_ms(run)
    assert sorted(own) == sorted(["gyro", name, "drive"])
    assert sum(own[name]) == pytest.approx(took[1, :-1].sum(), abs=0.3)


def test_a_signal_that_is_read_now_and_then_is_no_part(tmp_path):
    """Reading a voltage of 12.4 V takes a tenth of that in milliseconds: no slope of one."""
    random = np.random.default_rng(4)
    gyro, drive = 1 + 0.2 * random.random(400), 2.5 + 0.3 * random.random(400)
    reads = np.arange(400) % 5 == 0
    at = np.concatenate([[0], np.cumsum(gyro + drive + 1.2 * reads)])
    rows = "".join(f"{t:.3f};{a:.3f};{b:.3f};{12.4 if r else ''}\n"
                   for t, a, b, r in zip(at[:-1], gyro, drive, reads, strict=True))  # fmt: skip
    run = read(tmp_path, f"t_ms;gyro_ms;drive_ms;battery\n{rows}")
    assert "battery" not in self_ms(run)


def test_late_loops_of_one_length_tell_nothing():
    """Ten loops are late by the same 10 ms while a value leaps: it follows nothing."""
    step = np.full(200, 20.0)
    step[5::20] = 30.0
    value = np.where(step > 20, 7.0, 1.0 + np.arange(200) % 2)
    clock = np.concatenate([[0], np.cumsum(step)[:-1]]) * 1e6
    assert judge([Seen("bare", value, words=("send",))], clock).roles[0].taken_as == "signal"


def test_a_t_in_front_may_stand_for_a_time():
    """Two lengths in a loop that waits for its tick: it can't be told, and a unit would tell."""
    made = parts()
    clock = clock_of(np.full(ROWS, 50.0))
    level = 2 + np.sin(np.arange(ROWS) / 60)
    found = judge(seen(t_gyro=made["gyro"], t_drive=made["drive"], mast=level), clock)
    assert [role.sure for role in found.roles] == ["unsure", "unsure", "likely"]
    assert "a unit in its header would" in found.roles[0].why


@pytest.mark.parametrize("meaning", ["group", "counter"])
@pytest.mark.parametrize("scale", [1, 1e3])
def test_lengths_named_like_numbers_of_things_are_parts(meaning, scale):
    """Whole or broken, the steps grow with them one for one; numbers of things do not move them."""
    made = parts()
    clock = clock_of(made["gyro"] + made["drive"] + 0.4)
    rng = np.random.default_rng(5)
    columns = {k: np.rint(made[k] * scale) if scale > 1 else made[k] for k in ("gyro", "drive")}
    columns |= {"node": rng.integers(1, 9, ROWS), "plants": rng.integers(1, 90, ROWS)}
    found = judge(seen(meaning, **columns), clock)
    assert taken(found) == ["part", "part", "signal", "signal"]


def test_what_only_counts_up_now_and_then_is_no_part():
    """The bench at which it stands fits into the loop in us beside the parts, and is none."""
    made = parts()
    bench = 1.0 + np.arange(ROWS) // 80
    columns = {k: made[k] * 1e3 for k in ("gyro", "drive")} | {"bench": bench}
    found = judge(seen(**columns), clock_of(made["gyro"] + made["drive"] + 0.4))
    assert taken(found) == ["part", "part", "signal"]


def test_few_that_the_rest_of_the_loop_hides_are_told():
    """They go with steps that something else moves far more: it can't be told, and is said."""
    rng = np.random.default_rng(9)
    hub, mast = rng.uniform(2, 2.4, (2, ROWS))
    loops = hub + mast + rng.uniform(2, 12, ROWS)
    assert [r.sure for r in judge(seen(hub=hub, mast=mast), clock_of(loops)).roles] == [
        "unsure"
    ] * 2
    apart = clock_of(np.where(np.arange(ROWS) % 2, 10.0, 14.0))  # nothing of theirs in the steps
    assert [r.sure for r in judge(seen(hub=hub, mast=mast), apart).roles] == ["unsure"] * 2


@pytest.mark.parametrize(
    ("name", "high", "calls"),
    [("retries", 3, 2), ("misses", 3, 2), ("queue", 4, 2), ("queue", 900, 3), ("lift", 3, 3)],
)
def test_small_whole_numbers_under_a_word_of_lengths_count_what_their_own_name_counts(
    tmp_path, name, high, calls
):
    """Retries in a group of times are no ms; a queue of 900 or a lift may well be."""
    rng = np.random.default_rng(4)
    imu, arm = rng.uniform(1.0, 1.4, 400), rng.uniform(2, 3, 400)
    start = np.cumsum(imu + arm + 950)
    rows = zip(start, imu, arm, rng.integers(0, high, 400), strict=True)
    text = f"t_ms,times.imu,times.arm,times.{name}\n"
    text += "".join(f"{t:.3f},{a:.3f},{b:.3f},{n}\n" for t, a, b, n in rows)
    assert len(self_ms(read(tmp_path, text))) == calls


@pytest.mark.parametrize("name", ["batt", "pack"])
def test_a_value_that_stays_near_the_last_one_is_no_part_beside_a_period(tmp_path, name):
    """A voltage would fit into a loop of 20 ms; lengths beside the same period are parts."""
    rng = np.random.default_rng(6)
    step = 20 + (rng.random(900) < 0.02) * rng.integers(1, 5, 900)
    clock = 3000 + np.cumsum(step)
    volts = 7.9 - 0.2 * np.arange(900) / 900 + 0.01 * rng.normal(size=900).round()
    took = rng.normal(7.9, 0.1, 900)
    for values, taken in ((volts, "stamps"), (took, "costs")):
        rows = zip(clock, step, values, strict=True)
        text = f"ms,dt,{name}\n" + "".join(f"{t},{d},{v:.2f}\n" for t, d, v in rows)
        if name == "pack" or taken == "stamps":
            assert read(tmp_path, text, name=f"{taken}.csv").layout == taken


def _busy(around, inside, *others):
    """Columns of lengths [ms], the last the whole of all but the one that lies in the first."""
    draw = np.random.default_rng(5)
    outer = draw.uniform(6.5, 7.5, 200)
    inner = outer * 0.6 + draw.uniform(0, 1, 200)
    rest = [draw.uniform(1, 2, 200) for _ in others]
    whole = outer + sum(rest) + 0.1
    columns = [(around, outer), (inside, inner), *zip(others, rest, strict=True)]
    seen = [Seen("duration", v, 1_000_000, tuple(n.split("_")), n) for n, v in columns]
    return [*seen, Seen("busy", whole, 1_000_000, (), "busy")], 20e6 * np.arange(200.0)


@pytest.mark.parametrize("name", ["of_which_bus", "davon_bus", "dont_bus", "di_cui_bus", "spi"])
def test_a_part_without_which_the_others_fill_the_whole_lies_in_one(name) -> None:
    """Parts that are longer together than the whole that holds them: by name, or by that alone."""
    seen, clock = _busy("drive", name, "imu", "lift")
    roles = judge(seen, clock).roles
    assert [role.taken_as for role in roles] == ["part"] * 4 + ["whole"]
    assert [role.inside for role in roles] == [-1, 0, -1, -1, -1]


def test_parts_that_fill_the_whole_lie_in_none() -> None:
    """The same without the one that lies in another."""
    seen, clock = _busy("drive", "spi", "imu", "lift")
    roles = judge([seen[0], *seen[2:]], clock).roles
    assert [role.inside for role in roles] == [-1] * 4


def test_what_is_the_same_in_each_row_was_set() -> None:
    """A period that is aimed at, as long as the loop, beside lengths that are measured."""
    seen, clock = _busy("drive", "spi", "imu", "lift")
    aim = Seen("duration", np.full(200, 20.0), 1_000_000, ("doel",), "doel")
    roles = judge([aim, *seen], clock).roles
    assert [role.taken_as for role in roles] == ["setting", *["part"] * 4, "whole"]


def test_lengths_below_zero_are_doubted_aloud(tmp_path):
    """A subtraction the wrong way round in each tenth row: no jitter, and not certain what else."""
    rows = [f"{20 * k + k % 2},{-3 if k % 10 == 4 else 3}.{k % 7},{k % 5 - 2}.1" for k in range(90)]
    run = read(tmp_path, "\n".join(["t_ms,gyro_ms,jitter_ms", *rows]) + "\n")
    assert not self_ms(run)
    told = " ".join(run.clock.notes)
    assert "not certain what gyro_ms is" in told
    assert "jitter" not in told
