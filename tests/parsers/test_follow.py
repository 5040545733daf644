"""A growing log gives the loops that the whole file gives, each once, however it is cut."""

from pathlib import Path

import numpy as np
import pytest

import looptime
from looptime.parsers.follow import Follower, GrowingFile
from looptime.parsers.read import read_log


def calls_log(loops: int) -> bytes:
    """Timed calls whose loop row comes last, with a comment and a header before them."""
    rows, at = ["# robot: tray-carrier", "loop,thread,name,start_us,duration_us"], 0
    for k, period in enumerate(np.random.default_rng(8).integers(9000, 12000, loops).tolist()):
        rows += [f"{k},main,gyro.read,{at + 100},2000", f"{k},main,loop,{at},{period}"]
        at += period
    return ("\n".join(rows) + "\n").encode()


def stamps_log(loops: int) -> bytes:
    at = np.cumsum(np.random.default_rng(8).integers(9000, 12000, loops))
    return ("time_us,heading_deg\n" + "".join(f"{t},{k % 90}\n" for k, t in enumerate(at))).encode()


def pairs_log(loops: int) -> bytes:
    at = np.cumsum(np.random.default_rng(8).integers(9, 30, loops))
    return (
        "robot on\n" + "".join(f"{t} imu=9 enc=28 mot={k % 5}\n" for k, t in enumerate(at))
    ).encode()


class Fed:
    """Bytes that come in pieces of a given size."""

    def __init__(self, data: bytes, size: int) -> None:
        self.data, self.size, self.at = data, size, 0

    def more(self) -> tuple[bytes, str]:
        piece = self.data[self.at : self.at + self.size]
        self.at += len(piece)
        return piece, ""


def read(path: str, known: looptime.Run | None) -> looptime.Log:
    return read_log(path, cache=False, layout=None if known is None else known.layout)


@pytest.mark.parametrize("make", [calls_log, stamps_log, pairs_log])
@pytest.mark.parametrize("size", [700, 5000, 1 << 20])
def test_pieces_give_what_the_whole_gives(tmp_path: Path, make, size: int) -> None:
    """The same periods in the same order under the same numbers, whatever the pieces' size."""
    data = make(400)
    (tmp_path / "whole.csv").write_bytes(data)
    whole = looptime.read(tmp_path / "whole.csv").loop_columns
    source = Fed(data, size)
    follower, got = Follower(source, read), []
    while source.at < len(data):
        got += [run.loop_columns for run in follower.look().runs]
    assert np.concatenate([one.period_ns for one in got]).tolist() == whole.period_ns.tolist()
    assert np.concatenate([one.loop for one in got]).tolist() == whole.loop.tolist()


def test_a_file_that_is_cut_or_replaced_is_read_anew(tmp_path: Path) -> None:
    """It is told, and its loops are those of the new content."""
    path = tmp_path / "run.csv"
    path.write_bytes(stamps_log(300))
    follower = Follower(GrowingFile(path), read)
    assert sum(map(len, follower.look().runs)) == 299
    assert follower.look().runs == ()
    path.write_bytes(stamps_log(100))
    grown = follower.look()
    assert "cut" in grown.told
    assert sum(map(len, grown.runs)) == 99
    other = tmp_path / "other.csv"
    other.write_bytes(stamps_log(500))
    other.replace(path)
    grown = follower.look()
    assert "replaced" in grown.told
    assert sum(map(len, grown.runs)) == 499
    path.unlink()
    assert "gone" in follower.look().told


def test_what_no_loop_is_found_in_waits(tmp_path: Path) -> None:
    """A header alone is no error yet; a file that is not there yet neither."""
    path = tmp_path / "run.csv"
    follower = Follower(GrowingFile(path), read)
    assert follower.look().runs == ()
    path.write_bytes(b"time_us,heading_deg\n")
    assert follower.look().runs == ()
    with path.open("ab") as file:
        file.write(b"".join(b"%d,0\n" % (10_000 * k) for k in range(50)))
    assert sum(map(len, follower.look().runs)) == 49


def test_what_is_wrong_with_a_log_is_told_of_the_log_itself(tmp_path: Path) -> None:
    """No piece of it in a folder of its own is named."""
    path = tmp_path / "notes.txt"
    path.write_text("The mast was stiff today.\nWe oiled it, and all was well.\n" * 20)
    told = Follower(GrowingFile(path), read).look().told
    assert told == "holds no rows of numbers: is this a timing log?"
    assert GrowingFile(tmp_path / "not there.csv").share == 1.0


@pytest.mark.parametrize("set_ms", [-3000, 3_600_000, -10_000_000])
@pytest.mark.parametrize("calls", [False, True])
def test_a_clock_that_is_set_meanwhile_loses_no_loop(
    tmp_path: Path, calls: bool, set_ms: int
) -> None:
    """300 loops of 20 ms, set ahead or back after 200: all but the one across the step, once each.

    Of a timed call once a loop the last loop has no end either, as the last stamp has none.
    """
    head = "name,start_ms,duration_ms\n" if calls else "time_ms,heading_deg\n"
    log = tmp_path / "log.csv"

    def rows(first: int, last: int, off: int) -> str:
        at = [11_000_000 + 20 * k + off for k in range(first, last)]
        return "".join(f"gyro.read,{t},5\n" if calls else f"{t},{t % 90}\n" for t in at)

    log.write_text(head + rows(0, 200, 0), encoding="utf-8")
    follower = Follower(GrowingFile(log), read)
    made = [list(follower.look().runs)]
    with log.open("a", encoding="utf-8") as file:
        file.write(rows(200, 300, set_ms))
    made.append(list(follower.look().runs))
    assert [sum(map(len, runs)) for runs in made] == [199, 99]
    assert {int(p) for runs in made for run in runs for p in run.loop_columns.period_ns} == {
        20 * 10**6
    }
