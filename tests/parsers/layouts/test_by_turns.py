"""Named lengths of several threads line by line, without a clock and with headers of any kind."""

import numpy as np
import pytest

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
