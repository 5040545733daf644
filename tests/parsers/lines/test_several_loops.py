"""Lines of two loops among each other, each with values of its own."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.lines.keyed import read_keyed
from looptime.parsers.lines.several_loops import told_by_tags
from tests.parsers.build import read


def lines(form, pace, seed=5):
    """A loop of 20 ms and another of `pace`, each line with two values that are its own."""
    rng = np.random.default_rng(seed)
    found = []
    for name, keys, every, count in (
        ("main", ("imu", "wheels"), 20.0, 200), ("odo", ("enc", "fuse"), pace, int(4000 / pace)),
    ):  # fmt: skip
        at = 100 + 3 * len(keys) + np.cumsum(every + 0.1 * rng.standard_normal(count))
        found += [(t, name, *keys, 1 + rng.random(), 2 + rng.random()) for t in at.tolist()]
    return [
        form.format(t=t, name=name, a=a, b=b, x=x, y=y) for t, name, a, b, x, y in sorted(found)
    ]


FORMS = [
    "[{t:.2f}] {name} {a}={x:.2f}ms {b}={y:.2f}ms",
    "{t:.2f} {name}: {a} {x:.2f} ms, {b} {y:.2f} ms",
]


@pytest.mark.parametrize("pace", [8.3, 33.1])
@pytest.mark.parametrize("form", FORMS)
def test_lines_of_a_pace_of_their_own_are_of_another_loop(tmp_path, form, pace):
    """The main loop's rows hold its values alone, and the others are counted as another's."""
    text = lines(form, pace)
    run = read(tmp_path, "\n".join(text) + "\n")
    assert [name.name.split()[-1] for name in run.names] == ["imu", "wheels"]
    assert np.median(run.loop_columns.period_ns) / 1e6 == pytest.approx(20, abs=0.1)
    assert run.set_aside.counts["other thread"] == int(4000 / pace)
    assert any("another loop" in note for note in run.clock.notes)


@pytest.mark.parametrize("form", FORMS)
def test_lines_that_follow_each_other_are_of_one_loop(tmp_path, form):
    """The second kind stands 7 ms after the first in each loop: four values a loop."""
    rng, made = np.random.default_rng(1), []
    for k in range(120):
        for at, name, a, b in ((0, "main", "imu", "wheels"), (7, "odo", "enc", "fuse")):
            t = 100 + 20 * k + at + 0.2 * rng.random()
            made.append(form.format(t=t, name=name, a=a, b=b, x=1 + rng.random(), y=2.5))
    path = tmp_path / "log.txt"
    path.write_text("\n".join(made) + "\n", encoding="utf-8")
    log = looptime.read_log(path)
    assert "other thread" not in log.rows_by_reason
    assert {name.name.split()[-1] for name in log.runs[0].names} == {"imu", "wheels", "enc", "fuse"}


def two_controllers(seed: int = 2) -> str:
    """Lines of a drive loop of 11.4 ms and of a mast loop of 40 ms that time the same calls."""
    rng, lines = np.random.default_rng(seed), []
    for tag, usual, jitter in (("drive", 11.4, 0.15), ("mast", 40.0, 0.02)):
        at = 1200 + np.cumsum(rng.normal(usual, jitter, int(20_000 / usual)))
        lines += [(t, f"[{tag}] {t:.3f} ms: sense {2 + k % 3}.1 ms, act 1.2 ms"
                   + (", store 3.1 ms\n" if tag == "mast" and k % 9 == 4 else "\n"))
                  for k, t in enumerate(at)]  # fmt: skip
    return "".join(line for _, line in sorted(lines))


def test_tagged_lines_of_two_controllers_are_told_apart_by_their_tag(tmp_path):
    """Their rates are not added up: the tag is a column to read each by."""
    path = tmp_path / "carrier.txt"
    path.write_text(two_controllers())
    with pytest.raises(LogError, match=r"by its column 'tag' \(drive, mast\).*--by tag"):
        looptime.read_log(path)
    runs = looptime.read_log(path, by="tag").runs
    period = sorted(float(np.median(run.loop_columns.period_ns)) / 1e6 for run in runs)
    assert period == pytest.approx([11.4, 40], rel=0.01)


def test_parts_of_one_loop_under_a_tag_each_are_no_loops_of_their_own():
    """Lines that keep their place in the loop have its pace and no other."""
    rng, lines, now = np.random.default_rng(3), [], 1200.0
    for _ in range(400):
        for tag, took in (("imu", 2.1), ("arm", 5.2)):
            lines.append(f"[{tag}] {now:.3f} ms: sense {took + rng.normal(0, 0.05):.3f} ms\n")
            now += took + 1
        now += 4
    grid = read_keyed(lines)
    assert not told_by_tags(grid, ["imu", "arm"] * 400)
    assert "tag" not in grid.names
