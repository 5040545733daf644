"""Named lengths of several threads line by line, without a clock and with headers of any kind."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.columns.headers import heads
from looptime.parsers.layouts.by_turns import columns_by_turns
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import balance, read, self_ms

LOOPS = 60


def rows(seed=1):
    """Rows of (thread, what, ms) as they end: three calls a loop, and a fetch of 17 ms beside."""
    rng, made, now, fetched = np.random.default_rng(seed), [], 0.0, 17.0
    for _ in range(LOOPS):
        for what, usual in (("imu", 3.0), ("drive", 2.0), ("plan", 4.0)):
            ms = round(float(rng.normal(usual, 0.2)), 3)
            now += ms
            if fetched <= now:
                made.append(("camera", "fetch", 17.0))
                fetched += 17.0 + rng.uniform(0, 2)
            made.append(("main", what, ms))
    return made


@pytest.mark.parametrize(
    "head", ["thr,op,ms", "worker,step,millis", "who,what,took_ms", "source,job,length_ms"]
)
@pytest.mark.parametrize("turned", [False, True])
def test_threads_and_names_are_told_by_what_takes_turns(tmp_path, head, turned):
    """Whatever the columns are called: the loop is that of the thread with three calls."""
    order = slice(None, None, -1) if turned else slice(None)
    text = "".join(",".join(map(str, row[order])) + "\n" for row in rows())
    run = read(tmp_path, ",".join(head.split(",")[order]) + "\n" + text)
    assert run.layout == "sections"
    pieces, mine = self_ms(run), [row for row in rows() if row[0] == "main"]
    assert len(run) >= LOOPS - 1
    for what in ("imu", "drive", "plan"):
        took = [ms for _, name, ms in mine if name == what]
        assert pieces[what] == pytest.approx(took[: len(run)])
    balance(run)


def test_names_of_one_thread_take_turns_too(tmp_path):
    """A row of name and length each, under a header that may be of anything else."""
    text = "op,ms\n" + "".join(f"{what},{ms}\n" for who, what, ms in rows() if who == "main")
    assert len(read(tmp_path, text)) >= LOOPS - 1


def test_phases_take_no_turns():
    """Stretches of two words, and loops that log in any order, are no names of calls."""
    rng = np.random.default_rng(2)
    text = "".join(f"{'wait' if k % 60 < 25 else 'drive'},{8 + k % 3}\n" for k in range(240))
    like = sniff("state,loop_ms\n" + text, "a.csv")
    assert columns_by_turns(heads(like.header), like) is None
    text = "".join(f"{rng.choice(['a', 'b', 'c'])},{8 + k % 3}\n" for k in range(240))
    like = sniff("tag,took_ms\n" + text, "a.csv")
    assert columns_by_turns(heads(like.header), like) is None


@pytest.mark.parametrize("head", ["device,call,took_ms", "subsystem,name,ms"])
def test_a_device_that_some_loops_read_is_no_thread(tmp_path, head):
    """A loop lasts as long as the calls of both devices, of which the second is not in each."""
    rng, text, loops = np.random.default_rng(5), "", []
    for _ in range(200):
        made = [("left", "read", 3.0), ("left", "write", 2.0)]
        made += [("right", "scan", 3.5), ("right", "store", 1.5)] * int(rng.random() < 0.4)
        loops.append(sum(ms for *_, ms in made))
        text += "".join(f"{who},{what},{ms}\n" for who, what, ms in made)
    run = read(tmp_path, f"{head}\n{text}")
    assert run.loop_columns.period_ns / 1e6 == pytest.approx(loops[: len(run)])
    assert len(run) >= 199
    balance(run)


PARTS = (("gyro", 1000), ("wheels", 2000), ("pose", 3000))


def log(tmp_path, header, order=None, kept=None):
    """200 loops of about 6 ms, with the number of each."""
    rng = np.random.default_rng(1)
    rows = [f"{k},{name},{us + rng.integers(-90, 90)}\n" for k in range(200) for name, us in PARTS]
    if kept is not None:
        rows = [row for at, row in enumerate(rows) if kept(at)]
    if order is not None:
        rows = [rows[at] for at in order(len(rows))]
    path = tmp_path / "log.csv"
    path.write_text(f"{header}\n{''.join(rows)}", encoding="utf-8")
    return looptime.read(path, cache=False)


@pytest.mark.parametrize("header", [
    "iteration,part,us", "loop,stage,duration_us", "pass,step,micros", "runde,was,dauer_us",
    "row,thing,us",
])  # fmt: skip
def test_numbers_of_the_loop_may_stand_beside_the_names(tmp_path, header):
    """Three parts of 1, 2 and 3 ms are a loop of 6 ms."""
    run = log(tmp_path, header)
    assert (len(run), [name.name for name in run.names]) == (200, [name for name, _ in PARTS])
    assert run.duration_s / len(run) == pytest.approx(6e-3, rel=0.01)


def test_numbers_in_no_order_are_refused(tmp_path):
    """Parts of several loops would be laid together."""
    with pytest.raises(LogError, match="'iteration' counts, and its numbers stand in no order"):
        log(tmp_path, "iteration,part,us", order=np.random.default_rng(2).permutation)


def test_rows_lost_everywhere_are_told(tmp_path):
    """Every 25th row is lost, so that no part is in all loops."""
    run = log(tmp_path, "iteration,part,us", kept=lambda at: at % 25)
    assert any("lack or repeat what nearly all hold once" in note for note in run.clock.notes)


@pytest.mark.parametrize(
    "order", [lambda n: range(n - 1, -1, -1), np.random.default_rng(3).permutation]
)
def test_a_clock_of_another_word_is_told_by_the_lengths_beside_it(tmp_path, order):
    """Rows the other way round, or anyhow: refused, and no part of 1 s is made of the clock."""
    rows = [f"{9 * k},{2 + k % 3},{4 + k % 2}\n" for k in range(200)]
    path = tmp_path / "log.csv"
    path.write_text(
        "Zeit [ms],gyro_ms,drive_ms\n" + "".join(rows[at] for at in order(200)), "utf-8"
    )
    with pytest.raises(LogError, match="its times"):
        looptime.read(path, cache=False)


def test_a_clock_of_another_word_may_wrap(tmp_path):
    """It begins anew after each second; 9 ms a loop by construction."""
    rows = [f"{9 * k % 1000},{2 + k % 3},{4 + k % 2}\n" for k in range(600)]
    path = tmp_path / "log.csv"
    path.write_text("Zeit [ms],gyro_ms,drive_ms\n" + "".join(rows), "utf-8")
    run = looptime.read(path, cache=False)
    assert np.median(run.loop_columns.period_ns) == 9_000_000
    assert run.duration_s == pytest.approx(599 * 9e-3, rel=0.01)


def test_numbers_of_rows_tell_of_lost_ones_whatever_they_are_called(tmp_path):
    """Calls numbered by a column `n`: every tenth is lost."""
    rows = [f"{3 * k + at},{name},{10_000 * k + 3000 * at},{us}\n" for k in range(200)
            for at, (name, us) in enumerate(PARTS)]  # fmt: skip
    path = tmp_path / "log.csv"
    kept = "".join(row for at, row in enumerate(rows) if at % 10 != 4)
    path.write_text("n,function,begin_us,took_us\n" + kept, "utf-8")
    assert any("missing" in note for note in looptime.read(path, cache=False).clock.notes)
