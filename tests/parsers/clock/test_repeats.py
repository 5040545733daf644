"""Rows that stand in a log again, in every layout: set aside, and nothing else is."""

from dataclasses import replace

import numpy as np
import pytest

import looptime
from looptime.parsers.clock.repeats import _goes_on, _news, _to_join, find_repeats
from tests.properties.semantic import SHAPES, make


@pytest.mark.parametrize(
    ("share", "shape"),
    [(share, shape) for share in (0.05, 0.5, 1.0) for shape in SHAPES
     if shape != "values events" or share == 1],
)  # fmt: skip
def test_rows_written_twice_change_no_loop(tmp_path, shape, share):
    """Whatever the share of rows written twice, the loops are those of the log without them."""
    made = make(shape, np.random.default_rng(11), 120)
    path = tmp_path / "log.csv"
    path.write_text(made.text(), encoding="utf-8")
    (whole,) = looptime.read_log(path).runs
    twice = np.random.default_rng(5).random(len(made.rows)) < share
    rows = [row for row, two in zip(made.rows, twice, strict=True) for row in [row] * (1 + two)]
    path.write_text(replace(made, rows=rows).text(), "utf-8")
    (run,) = looptime.read_log(path).runs
    assert run.loop_columns.period_ns.tolist() == whole.loop_columns.period_ns.tolist()
    assert run.unattributed_ns().tolist() == whole.unattributed_ns().tolist()
    before = whole.set_aside.counts
    after = run.set_aside.counts
    assert after["duplicate row"] + sum(before.values()) >= twice.sum()
    assert run.rows_read == len(rows)


@pytest.mark.parametrize(
    ("whole_loops", "shape"),
    [(whole, shape) for whole in (True, False) for shape in SHAPES
     if shape not in ("stages", "values events") and (whole or not shape.startswith("values"))],
)  # fmt: skip
def test_a_block_pasted_elsewhere_changes_no_loop(tmp_path, shape, whole_loops):
    """40 rows and more from the first half of a log, met again in the second, are set aside."""
    made = make(shape, np.random.default_rng(8), 150)
    path = tmp_path / "log.csv"
    path.write_text(made.text(), encoding="utf-8")
    (whole,) = looptime.read_log(path).runs
    low, at = (20, 110) if whole_loops else (23, 107)
    low, at, count = low * made.block, at * made.block, 40 * made.block
    if not whole_loops and made.block > 1:
        low, at, count = low + 1, at + 2, count + 3
    rows = made.rows[:at] + made.rows[low : low + count] + made.rows[at:]
    path.write_text(replace(made, rows=rows).text(), "utf-8")
    (run,) = looptime.read_log(path).runs
    assert run.loop_columns.period_ns.tolist() == whole.loop_columns.period_ns.tolist()
    rows_a_loop = made.block if shape.startswith("values") else 1  # lines are brought to loops
    assert run.set_aside.counts["pasted again"] == count // rows_a_loop
    assert any("stand in the log again" in note for note in run.clock.notes)


def test_rows_that_are_alike_by_chance_stay():
    """Coarse lengths repeat at every distance, a pattern for ever: neither is pasted."""
    rng = np.random.default_rng(3)
    coarse = [rng.integers(3, 6, 5000), rng.integers(1, 3, 5000)]
    found = find_repeats(coarse, sure=False)
    assert (len(found.twice), found.pasted) == (0, [])
    found = find_repeats([np.tile(np.arange(7), 400)], sure=False)
    assert (len(found.twice), found.pasted) == (0, [])


def test_an_even_counter_that_wraps_is_not_pasted():
    """Steps of 20 from a counter of 1000 show the same instants again and again."""
    time = np.arange(0, 40_000, 20) % 1000
    assert find_repeats([np.zeros(len(time), np.int64)], time).pasted == []


def test_a_clock_that_goes_on_shows_no_block_again():
    """Rows that are alike within one tick of a coarse clock are no block from elsewhere."""
    time = np.repeat(np.arange(300), 7) * 10**9
    assert find_repeats([np.tile(np.arange(7), 300)], time, sure=False).pasted == []


def test_bits_of_a_block():
    """Of 1,000 fine lengths 5 in a row are sure to be a copy (50 > 40 bits), 3 are not (30)."""
    fine = np.random.default_rng(1).permutation(10**6)[:1000]
    assert find_repeats([np.concatenate([fine, fine[100:106]])], sure=False).pasted == [
        (1000, 1006)
    ]
    assert find_repeats([np.concatenate([fine, fine[100:103]])], sure=False).pasted == []


def test_rows_written_many_times_without_a_clock():
    """Each row up to nine times: the lengths at other distances tell what chance makes."""
    rng = np.random.default_rng(4)
    row, often = rng.integers(800, 1200, 300), rng.integers(1, 10, 300)
    found = find_repeats([np.repeat(row, often)], sure=False)
    assert len(found.twice) == (often - 1).sum() + (np.diff(row) == 0).sum()
    even = np.repeat([7, 8, 7, 9, 7, 8, 7], 40)  # a log that hardly changes
    assert len(find_repeats([even], sure=False).twice) == 0


def test_loops_written_twice_under_their_number(tmp_path):
    """Parts of a numbered loop without a clock stand twice in some loops: each is used once."""
    rng = np.random.default_rng(8)
    names, lengths = ("gyro", "drive", "write"), rng.integers(900, 2900, (200, 3))
    twice = rng.random(200) < 0.2
    rows = ["loop,call,us"]
    for k, loop in enumerate(lengths.tolist()):
        rows += [f"{k},{n},{d}" for n, d in zip(names, loop, strict=True)] * (1 + int(twice[k]))
    path = tmp_path / "log.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    run = looptime.read(path)
    assert run.set_aside.counts["pasted again"] == 3 * twice.sum()
    assert run.loop_columns.period_ns.tolist() == (1000 * lengths.sum(axis=1)).tolist()


def test_a_call_made_twice_in_a_loop_is_not_written_twice(tmp_path):
    """Two reads and two writes in each loop, in whole ms, are alike in a third of the loops."""
    rng = np.random.default_rng(8)
    rows = ["loop,call,ms"]
    for k in range(200):
        rows += [f"{k},{n},{rng.integers(1, 4)}" for n in ("read", "write", "read", "write")]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert "pasted again" not in looptime.read(path).set_aside.counts


@pytest.mark.parametrize(("digits", "shift"), [(0, 1), (1, 0), (1, 2), (2, 1)])
def test_a_block_of_coarse_lengths_is_pasted_without_a_clock(tmp_path, digits, shift):
    """A fifth of 6,000 rows, of lengths that are met hundreds of times each, stands there again."""
    rng = np.random.default_rng(5)
    names = ("gyro", "drive", "lift")
    lengths = np.array([2.3, 4.4, 3.2]) * rng.gamma(20, 1 / 20, (2000, 3))
    rows = [f"{names[k % 3]},{one:.{digits}f}" for k, one in enumerate(lengths.ravel().tolist())]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["section,ms", *rows]) + "\n", encoding="utf-8")
    whole = looptime.read(path)
    assert "pasted again" not in whole.set_aside.counts
    block = rows[900 + shift : 2100 + shift]
    rows[4200:4200] = block
    path.write_text("\n".join(["section,ms", *rows]) + "\n", encoding="utf-8")
    run = looptime.read(path)
    assert run.set_aside.counts["pasted again"] == len(block)
    assert any("again from line 420" in note for note in run.clock.notes)


def test_states_that_last_and_patterns_with_exceptions_are_not_pasted():
    """What goes on as before, or comes round again, is as alike as a copy, and is none."""
    rng = np.random.default_rng(11)
    loop, name = np.arange(3000), np.tile(np.arange(3), 3000)
    odd = (rng.random((3000, 3)) < 0.003) * rng.integers(1, 9, (3000, 3))
    comes_round = np.stack([1 + 4 * (loop % n == 0) for n in (10, 7, 25)], axis=1) + odd
    since = np.maximum.accumulate(np.where(rng.random((3000, 3)) < 0.02, loop[:, None], 0), axis=0)
    lasts = rng.integers(1, 7, (3000, 3))[since, np.arange(3)]
    for lengths in (comes_round, lasts, np.where(odd > 0, odd, [1, 3, 2])):
        assert find_repeats([name, lengths.ravel()], sure=False, name=name).pasted == []
        assert find_repeats(list(lengths.T), sure=False).pasted == []


def test_a_block_reaches_no_further_than_the_turn_of_names():
    """The row behind a block is like the one behind what it repeats: one row too many is none."""
    rng = np.random.default_rng(2)
    name, length = np.tile(np.arange(4), 1000), rng.integers(0, 12, 4000)
    length[2400] = length[1200]
    rows = [np.insert(column, 2400, column[400:1200]) for column in (name, length)]
    assert find_repeats(rows, sure=False, name=rows[0]).pasted == [(2400, 3200)]


def _rows(n=200):
    """Rows no two of which are alike."""
    return np.random.default_rng(1).permutation(n)


@pytest.mark.parametrize(("count", "told"), [(6, False), (7, True)])
def test_how_short_a_block_without_a_clock_may_be(count, told):
    """Of 207 rows each of 7 is met twice: 6.7 bits each, but the first; asked are 20 and 15.4."""
    row = _rows()
    pasted = find_repeats([np.concatenate([row, row[50 : 50 + count]])]).pasted
    assert pasted == [(200, 200 + count)] * told


def test_blocks_pasted_one_into_the_other_are_set_aside_once():
    """Rows 50 to 89 and 70 to 109: the second begins with rows of the first."""
    row = _rows()
    found = find_repeats([np.concatenate([row, row[50:90], row[70:110]])])
    assert found.pasted == [(200, 240), (240, 260), (260, 280)]
    assert found.places().tolist() == [*range(200, 280)]


def test_a_block_begins_where_it_was_pasted_though_its_first_rows_were_met_since():
    """Three of its rows stand between the first time and the second, too."""
    row = _rows()
    row[150:153] = row[50:53]
    assert find_repeats([np.concatenate([row, row[50:90]])]).pasted == [(200, 240)]


def test_news_of_a_row_are_what_neither_row_before_tells():
    """Of 0, 0, 1, 1, 0 every pair is met once: a row is as rare as it is, or as after its last."""
    told = np.array([0, 0, 1, 1, 0], np.uint64)
    rare, common = np.log2(5 / 2), np.log2(5 / 3)
    expected = [0, common, rare, 1, common]  # of two ones the one is followed by a one
    assert _news(told, np.zeros(5, np.int64)) == pytest.approx(expected)
    # by name: 0, 1, 0 and 0, 1, so that two of three zeros have a one behind them
    named = _news(told, np.array([0, 1, 0, 1, 0]))
    assert named == pytest.approx([0, common, np.log2(3 / 2), np.log2(3 / 2), common])


@pytest.mark.parametrize(("share", "goes_on"), [(0.2, False), (0.45, True)])
def test_a_pattern_goes_on_beside_its_block(share, goes_on):
    """A tenth of the rows are alike by chance: so many as twice that and a tenth are no pattern."""
    code = np.arange(400, dtype=np.uint64)
    code[300:340] = code[100:140]
    beside = np.r_[260:300, 340:380]
    alike = beside[: round(share * len(beside))]
    code[alike] = code[alike - 200]
    assert _goes_on(code, 300, 340, 200, 0.1) == goes_on
    assert not _goes_on(code[:345], 300, 340, 340, 0.1)  # five rows tell nothing


def test_a_block_ends_where_the_order_of_names_goes_on():
    """Names 0 to 3 by turns; the block was put in behind a 3, and two rows behind it are alike."""
    name = np.concatenate(
        [np.resize(np.arange(4), 100), [0, 1, 2, 3, 0, 1], np.resize([2, 3, 0, 1], 40)]
    )
    assert _to_join(name, 100, 106) == 104
    assert _to_join(name, 100, 104) == 104
    assert (_to_join(name, 0, 8), _to_join(name, 100, len(name))) == (8, len(name))
