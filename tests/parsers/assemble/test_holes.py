"""Time outside every part: planted pauses, rows that are missing, lengths that wrapped."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from looptime.parsers.assemble.holes import holes, lacking, numbered, short_lengths
from tests.parsers.build import read

SAID = "outside every part"


def _rows(rest_us, loops=200):
    """Stamp and two lengths of each loop [us]; `rest_us` lies outside in each."""
    rng = np.random.default_rng(7)
    lengths = rng.integers(3000, 4000, (loops, 2))
    start = np.concatenate([[0], np.cumsum(lengths.sum(axis=1) + rest_us)[:-1]])
    return np.column_stack([start, lengths])


def _notes(tmp_path, rows, header="time_us,gyro_us,drive_us"):
    text = "".join(",".join(map(str, row)) + "\n" for row in rows.tolist())
    notes = read(tmp_path, f"{header}\n{text}").clock.notes
    return [note for note in notes if SAID in note]


def test_rows_lost_without_a_trace(tmp_path):
    """Three rows are gone: the loop before them holds three loops' time that no part took."""
    rows = np.delete(_rows(200), [80, 81, 82], axis=0)
    (note,) = _notes(tmp_path, rows)
    assert note.startswith("1 loop at line 81 holds 2")
    assert "rows lost" in note
    assert _notes(tmp_path, _rows(200)) == []


def test_a_pause_outside_the_parts_is_told_likewise(tmp_path):
    """A pause of as long leaves the same log."""
    rest = np.full(200, 200)
    rest[79] += 24_000
    assert len(_notes(tmp_path, _rows(rest))) == 1


def test_numbers_of_the_loops_tell(tmp_path):
    """With numbers that go on no row is lost: it was a pause, or the clock was set."""
    rest = np.full(200, 200)
    rest[79] += 24_000
    rows = np.column_stack([np.arange(200), _rows(rest)])
    (note,) = _notes(tmp_path, rows, "loop,time_us,gyro_us,drive_us")
    assert note.endswith("stalls there, or the clock was set")


@pytest.mark.parametrize("rest", [9000, np.where(np.arange(200) % 4, 200, 9000)])
def test_time_that_is_usually_outside(tmp_path, rest):
    """Where the parts are the smaller half, or every fourth loop pauses, it is no wonder."""
    assert _notes(tmp_path, _rows(rest)) == []


def _even(tmp_path, loops):
    """So many loops of 10 ms with one call of 4 ms."""
    rows = "".join(f"{10_000 * k},4000\n" for k in range(loops + 1))
    return read(tmp_path, f"time_us,drive_us\n{rows}")


@pytest.mark.parametrize(
    ("loops", "far", "told"),
    [(29, 1, 0), (30, 1, 1), (30, 3, 1), (30, 4, 1), (30, 5, 0), (100, 15, 1), (100, 16, 0)],
)
def test_few_loops_of_enough_are_told(tmp_path, loops, far, told):
    """Three in 20, three at least, of 30 and more."""
    outside = np.full(loops, 1_000_000)
    outside[3 : 3 + far] = 20_000_000
    run = _even(tmp_path, loops)
    notes = holes(run, outside, numbered=False)
    assert ["where 1 ms is usual" in note for note in notes] == [True] * told
    assert holes(replace(run, meta={"looptime-recorder": "cpp 1"}), outside, False) == ()


@pytest.mark.parametrize(("usual_us", "told"), [(5000, 1), (5001, 0), (9000, 0)])
def test_half_of_the_loop_may_be_outside(tmp_path, usual_us, told):
    """Where more is outside in every loop, much of it in one is no wonder."""
    outside = np.full(50, 1000 * usual_us)
    outside[20] += 20_000_000
    assert len(holes(_even(tmp_path, 50), outside, numbered=False)) == told


def _calls(tmp_path, without):
    """Four hundred loops and one that is cut off, of two calls; the second is missing in some."""
    rows = [f"{k},{name},{10_000 * k + at},1000\n"
            for k in range(401) for name, at in (("gyro", 0), ("drive", 2000))
            if name == "gyro" or k not in without]  # fmt: skip
    return read(tmp_path, "loop,name,start_us,duration_us\n" + "".join(rows))


@pytest.mark.parametrize(
    ("without", "line"), [([0], None), ([399], None), ([1], 4), ([398], 798), ([7, 9], 16)]
)
def test_a_loop_that_lacks_a_call_is_named_by_its_line(tmp_path, without, line):
    """The first of them; a program may start and stop within a loop."""
    told = lacking(_calls(tmp_path, without))
    assert [f"line {line}:" in one for one in told] == [True] * (line is not None)


def test_a_part_that_did_not_run_is_no_lost_row(tmp_path):
    """In a table of one row a loop an empty cell says what it is."""
    rows = "".join(f"{10_000 * k},4000,{'' if k == 9 else 500}\n" for k in range(60))
    assert lacking(read(tmp_path, f"time_us,drive_us,lift_us\n{rows}")) == ()


@pytest.mark.parametrize(
    ("loop", "seq", "told"), [(None, None, False), ([1], None, True), (None, [1], True)]
)
def test_calls_are_numbered_by_loop_or_in_sequence(loop, seq, told):
    """Either of the two tells of a row that is lost."""
    parsed = SimpleNamespace(loops=None, calls=SimpleNamespace(loop=loop, seq=seq))
    assert numbered(parsed) is told


@pytest.mark.parametrize(("more_ms", "said"), [(7.9, ()), (8.1, ("1 loop at line 22 holds 9.1",))])
def test_most_of_a_loop_more_is_told(tmp_path, more_ms, said):
    """Of 10 ms, of which 1 is usually outside: a lost row takes about a whole one away."""
    outside = np.full(50, 1_000_000)
    outside[20] += round(1e6 * more_ms)
    notes = holes(_even(tmp_path, 50), outside, numbered=False)
    assert tuple(note.partition(" ms outside every part")[0] for note in notes) == said


def log(tmp_path, longer, held):
    """A loop of about 9 ms whose drive.read now and then takes `longer` [us], kept in `held`."""
    draw = np.random.default_rng(12)
    lengths = draw.integers(2000, 3500, (300, 3))
    lengths[40 :: 300 // max(len(longer), 1), 1][: len(longer)] += np.array(longer, int)
    rest = draw.integers(100, 300, 300)
    start = np.concatenate([[0], np.cumsum(lengths.sum(axis=1) + rest)[:-1]])
    rows = np.column_stack([start, lengths % held]).tolist()
    text = "".join(",".join(map(str, row)) + "\n" for row in rows)
    return read(tmp_path, "time_us,gyro_us,drive_us,arm_us\n" + text)


@pytest.mark.parametrize(
    ("longer", "held", "said"),
    [
        ([80_000], 2**16, "1 loop has 65.54 ms (2^16 us)"),
        ([80_000, 150_000, 70_000], 2**16, "3 loops have 65.54 ms (2^16 us)"),
        ([40_000, 72_000], 2**15, "2 loops have 32.77 ms (2^15 us)"),
        ([17_000, 18_500], 2**14, "2 loops have 16.38 ms (2^14 us)"),
        ([9000, 17_500, 9900], 2**13, "3 loops have 8.192 ms (2^13 us)"),
    ],
)
def test_stalls_longer_than_the_counter_of_lengths(tmp_path, longer, held, said):
    """What is missing is a multiple of what the counter holds: said with the first figure."""
    limits = log(tmp_path, longer, held).clock.limits
    assert any(one.startswith(said) for one in limits)


@pytest.mark.parametrize("longer", [[], [80_000], [80_000, 150_000, 70_000]])
def test_lengths_that_fit(tmp_path, longer):
    """The same stalls with lengths of 32 bits leave nothing outside."""
    assert log(tmp_path, longer, 2**32).clock.limits == ()


def test_time_outside_of_any_other_length(tmp_path):
    """Pauses outside the calls that are no multiples of a counter say nothing of lengths."""
    draw = np.random.default_rng(13)
    lengths = draw.integers(2000, 3500, (300, 3))
    rest = draw.integers(100, 300, 300)
    rest[[40, 90, 200]] += [61_000, 98_000, 140_000]
    start = np.concatenate([[0], np.cumsum(lengths.sum(axis=1) + rest)[:-1]])
    rows = np.column_stack([start, lengths]).tolist()
    text = "".join(",".join(map(str, row)) + "\n" for row in rows)
    run = read(tmp_path, "time_us,gyro_us,drive_us,arm_us\n" + text)
    assert run.clock.limits == ()


def paced(tmp_path, longer, held):
    """Loops of 20 ms that wait for their tick, one of which has a call that is `longer` [us]."""
    draw = np.random.default_rng(14)
    lengths = draw.integers(2000, 6500, (300, 3))
    lengths[150, 1] += longer
    period = np.maximum(20_000, lengths.sum(axis=1) + draw.integers(20, 60, 300))
    rows = np.column_stack([np.cumsum(period) - period, lengths % held]).tolist()
    text = "".join(",".join(map(str, row)) + "\n" for row in rows)
    return read(tmp_path, "time_us,gyro_us,drive_us,arm_us\n" + text).clock.limits


def test_one_stall_of_a_paced_loop(tmp_path):
    """A late loop does not wait: 65.54 ms and little more outside it, where others wait for 14."""
    (said,) = paced(tmp_path, 80_000, 2**16)
    assert said.startswith("1 loop has 65.54 ms (2^16 us)")
    assert paced(tmp_path, 80_000, 2**32) == ()


def said_of(tmp_path, outside_us, call_us=1000):
    """What is said of loops of one call, with so much outside [us]; the clock ticks in 1 us."""
    outside = np.array(outside_us)
    begins = range(0, 70_001 * len(outside), 70_001)
    rows = "".join(f"{at},{call_us - at % 2}\n" for at in begins)  # no call lasts ever as long
    run = read(tmp_path, f"time_us,drive_us\n{rows}{70_001 * len(outside)},{call_us}\n")
    period = np.rint(1000 * (call_us + outside)).astype(np.int64)
    run = replace(run, loop_columns=replace(run.loop_columns, period_ns=period))
    return short_lengths(run, np.rint(1000 * outside))


@pytest.mark.parametrize(
    ("held_us", "said"),
    [
        (2**24, "16777 ms (2^24 us)"), (2**20, "1049 ms (2^20 us)"), (256_000, "256.0 ms (2^8 ms)"),
        (2**16, "65.54 ms (2^16 us)"), (2**15, "32.77 ms (2^15 us)"), (2**14, "16.38 ms (2^14 us)"),
        (2**13, "8.192 ms (2^13 us)"), (2**12, "4.096 ms (2^12 us)"),
    ],
)  # fmt: skip
def test_every_counter_is_told_from_the_others(tmp_path, held_us, said):
    """One loop of 100 has just what a counter holds more outside than the 200 us of the others."""
    (told,) = said_of(tmp_path, [200] * 99 + [200 + held_us])
    assert told.startswith(f"1 loop has {said} ")


@pytest.mark.parametrize(("loops", "told"), [(29, 0), (30, 1)])
def test_thirty_loops_tell(tmp_path, loops, told):
    """In fewer, what is usual is not known."""
    assert len(said_of(tmp_path, [200] * (loops - 1) + [65_736])) == told


@pytest.mark.parametrize(("call_us", "told"), [(65_535, 1), (65_536, 0)])
def test_a_call_that_is_longer_shows_that_lengths_go_on(tmp_path, call_us, told):
    """Where a call lasts as long as the counter holds, it does not begin again there."""
    assert len(said_of(tmp_path, [200] * 99 + [200 + 2 * 65_536], call_us)) == told


def test_loops_without_calls_say_nothing(tmp_path):
    """There is no length that could be short."""
    run = read(tmp_path, "time_us\n" + "".join(f"{20_000 * k + k % 3}\n" for k in range(60)))
    assert short_lengths(run, np.array([200_000] * 58 + [65_736_000])) == ()


def test_a_quarter_of_the_counter_more_is_not_far(tmp_path):
    """Beside a loop with 2^16 us more, one with just a quarter of it more does not count."""
    (told,) = said_of(tmp_path, [200] * 98 + [200 + 2**14, 200 + 2**16])
    assert told.startswith("1 loop has 65.54 ms (2^16 us)")


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (-12, 0), (-11, 1), (211, 1), (300, 1), (331, 1), (332, 0),  # beyond 2^16 us
    ],
)  # fmt: skip
def test_a_multiple_is_told_to_within_what_is_usually_outside(tmp_path, more, told):
    """Usual are 200 us, 3 in 100 have 100 and 8 have 300; 11 us more for tick and rounding.

    From 200 +- 0.6 (300 - 100) or, where a late loop does not wait, from 0 to 200.
    """
    usual = [100] * 3 + [200] * 88 + [300] * 8
    assert len(said_of(tmp_path, [*usual, 2**16 + more])) == told


@pytest.mark.parametrize(
    ("more", "apart", "told"),
    [
        ([0], 0, 0), ([50], 0, 0), ([50, 60], 9, 0), ([50, 4096 + 60], 9, 1), ([300], 0, 0),
        ([300, 310], 9, 0), ([300, 310], 0, 0), ([300, 4096 + 700], 9, 0),
    ],
)  # fmt: skip
def test_what_chance_does_is_not_told(tmp_path, more, apart, told):
    """0 to 500 us are an eighth of 2^12, -60 to 60 a thirtieth: one loop in them may be chance, as
    may two in the former; two in the latter are not.

    Two in a row are one chance: what made the one longer is there for the next. So are two that
    are as long as each other, since one thing may make both so.
    """
    usual = [100] * 3 + [500] * (91 - len(more)) + [2000] * 6
    long = [4096 + one for one in more]
    end = len(usual) - apart
    assert len(said_of(tmp_path, [*usual[:end], long[0], *usual[end:], *long[1:]])) == told


@pytest.mark.parametrize("stall_us", [21_000, 22_000, 24_000])
def test_a_stall_of_one_length_in_a_paced_loop_is_no_counter(tmp_path, stall_us):
    """Loops of 20 ms with calls of 10: what stalls each fiftieth leaves 21 to 24 ms outside.

    A late loop waits for no tick, so 2^14 us and up to the usual 10 would fit each alone: that all
    thirty are as long as each other is one chance.
    """
    draw = np.random.default_rng(16)
    lengths = draw.integers(4750, 5250, (1500, 2))
    outside = np.where(np.arange(1500) % 50 == 49, stall_us, 20_000 - lengths.sum(axis=1))
    period = lengths.sum(axis=1) + outside
    rows = np.column_stack([np.cumsum(period) - period, lengths]).tolist()
    text = "".join(",".join(map(str, row)) + "\n" for row in rows)
    assert read(tmp_path, "time_us,gyro_us,drive_us\n" + text).clock.limits == ()


def _ticks(longer_us):
    """Loops of 4 ms that begin on a tick, and wait for the next where parts and 150 us miss it."""
    draw = np.random.default_rng(15)
    lengths = draw.integers(1750, 1900, (400, 2))
    lengths[20::40, 1] += longer_us
    period = -(-(lengths.sum(axis=1) + 150) // 4000) * 4000
    rows = np.column_stack([np.cumsum(period) - period, lengths])
    return rows, period


def test_a_loop_that_waits_for_the_next_tick(tmp_path):
    """Each missed 4 ms tick leaves nearly 4 ms outside: no hole, and no counter of 4.096 ms."""
    rows, period = _ticks(500)
    assert (period == 8000).sum() == 10
    text = "".join(",".join(map(str, row)) + "\n" for row in rows.tolist())
    run = read(tmp_path, "time_us,gyro_us,drive_us\n" + text)
    assert run.clock.limits == ()
    assert not [note for note in run.clock.notes if SAID in note]


def test_a_row_lost_from_a_loop_that_keeps_to_ticks(tmp_path):
    """What a lost row leaves is a whole tick beside the wait of the loop before it."""
    rows, _ = _ticks(0)
    (note,) = _notes(tmp_path, np.delete(rows, [200], axis=0))
    assert note.startswith("1 loop at line 201 holds")


@pytest.mark.parametrize(("ahead_us", "said"), [(2_000_000, True), (90_000, False)])
def test_a_clock_that_is_set_between_two_events(tmp_path, ahead_us, said):
    """The part that ends after the step looks as long as the step: said where it is seconds."""
    at = [(8000 * k + 1900 * j + k * 37 % 97, j) for k in range(90) for j in range(4)]
    words = ("loop start", "gyro done", "drive done", "arm done")
    rows = [f"{t + (ahead_us if t > 402_500 else 0)},{words[j]}\n" for t, j in at]
    notes = read(tmp_path, "time_us,event\n" + "".join(rows)).clock.notes
    assert bool([note for note in notes if "the clock was set in it" in note]) is said
