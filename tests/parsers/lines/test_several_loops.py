"""Lines of two loops among each other, each with values of its own."""

import numpy as np
import pytest

import looptime
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
