"""Lines indented below the call that they lie in."""

import pytest

from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.lines.build import COSTS, PERIODS, ROWS


@pytest.mark.parametrize("stamp", ["[{s:.3f}] ", "{s:.3f} s: "])
@pytest.mark.parametrize("after", [False, True], ids=["calls first", "what lies in them first"])
def test_a_line_lies_in_that_above_it_with_less_indentation(tmp_path, stamp, after):
    """`sensors` holds the imu and 1 ms of its own; the loop holds sensors and drive."""
    text = ""
    loops = [(t + 70 * k, imu, drive) for k in range(8) for t, imu, drive in ROWS[:3]]
    for t, imu, drive in loops:
        front = stamp.format(s=t / 1000)
        told = [f"loop {imu + drive + 1} ms", f"  sensors {imu + 1} ms", f"    imu {imu} ms",
                f"  drive {drive} ms"]  # fmt: skip
        told = [told[3], told[2], told[1], told[0]] if after else told
        text += "".join(f"{front}{line}\n" for line in told)
    run = read(tmp_path, text)
    assert periods_ms(run) == (PERIODS * 8)[:-1]
    found = {name.rpartition(".")[2]: ms for name, ms in self_ms(run).items()}
    wanted = {"sensors": [1.0] * 3, **COSTS}
    assert found == {name: (ms * 8)[:-1] for name, ms in wanted.items()}


def test_the_line_of_the_loop_has_the_only_stamp(tmp_path):
    """Its length is the loop's and its instant the loop's start; both wheels lie in the drive."""
    text = "".join(
        f"loop {k} @ {k / 50:.4f} s: 20.00 ms\n  imu: {2 + k % 3} ms\n  drive: {8 + k % 2} ms\n"
        f"    front: {1 + k * 5 % 7 / 2} ms\n    rear: {6 + k % 2 - k * 5 % 7 / 2} ms\n"
        for k in range(60)
    )
    run = read(tmp_path, text)
    assert set(periods_ms(run)) == {20.0}
    found = {name: ms[:4] for name, ms in self_ms(run).items()}
    assert found == {
        "imu": [2.0, 3.0, 4.0, 2.0],
        "drive": [1.0] * 4,
        "drive.front": [1.0, 3.5, 2.5, 1.5],
        "drive.rear": [6.0, 4.5, 4.5, 6.5],
    }


def test_blocks_name_their_unit_in_a_title_and_their_phase_in_a_word(tmp_path):
    """Twelve loops of 20 ms, a line a value; the first four stand, and the volts have no unit."""
    blocks = [
        f"---\nloop: {k}\nstart_us: {20_000 * k}\ntook_us:\n  imu: {900 + k % 3}\n  drive: 4500\n"
        f"volts: 12.5\nstate: {'stand' if k < 4 else 'drive'}\n"
        for k in range(13)
    ]
    run = read(tmp_path, "".join(blocks))
    assert self_ms(run)["imu"] == pytest.approx([0.9 + k % 3 / 1000 for k in range(12)])
    assert self_ms(run)["drive"] == [4.5] * 12
    assert [str(one) for one in run.loops["phase"]] == ["stand"] * 4 + ["drive"] * 8
    assert run.set_aside.counts.keys() == {"unfinished last loop"}
