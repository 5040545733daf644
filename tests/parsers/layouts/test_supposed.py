"""What figures rest on though little shows it: of a clock's unit, of columns, of rows."""

import numpy as np
import pytest

from tests.parsers.build import read


def _log(header, unit=1, lengths=True):
    """100 loops of 10 to 13 in a unit, with a part of 2 to 6."""
    rng = np.random.default_rng(4)
    period, part = rng.uniform(10, 13, 100), rng.uniform(2, 6, 100)
    start = np.cumsum(period) - period
    rows = np.stack([start, part], axis=1) if lengths else start[:, None]
    return header + "".join(",".join(f"{unit * v:.3f}" for v in row) + "\n" for row in rows)


@pytest.mark.parametrize(
    ("text", "supposed"),
    [
        (_log("t,gyro\n"), ("the times are in ms",)),
        (_log("t_ms,gyro_ms\n"), ()),
        (_log("# all times in ms\nt,gyro\n"), ()),
        (_log("t_ms\n", lengths=False), ()),
        (_log("t,gyro_ms\n"), ()),
        (_log("t,gyro_s\n", unit=1e-3), ()),
    ],
)
def test_a_unit_by_size_is_supposed_and_a_stated_one_is_not(tmp_path, text, supposed):
    assert read(tmp_path, text).clock.supposed == supposed


@pytest.mark.parametrize(
    ("header", "said"),
    [
        ("t,gyro_ms", "lengths in ms fit into steps of 0.03 only in s"),
        ("t,gyro", "steps of 0.03 are plausible loop periods only in s"),
        # 2 to 6 us lie in 0.03 s and in 0.03 ms
        ("t,gyro_us", "steps of 0.03 are plausible loop periods only in s"),
    ],
)
def test_lengths_whose_unit_is_stated_tell_that_of_the_clock(tmp_path, header, said):
    """A step of 0.03 holds 2 to 6 ms in s, and in ms or us it is shorter than they are."""
    rng = np.random.default_rng(4)
    rows = [f"{0.03 * k:.2f},{part:.3f}" for k, part in enumerate(rng.uniform(2, 6, 99))]
    said = f"inferred: {said}"
    assert read(tmp_path, "\n".join([header, *rows]) + "\n").clock.unit_from == said


def test_columns_without_a_header_are_supposed(tmp_path):
    rng = np.random.default_rng(4)
    period = rng.uniform(10, 11, 200) + (part := rng.uniform(2, 6, 200))
    rows = zip(np.cumsum(period) - period, part, strict=True)
    run = read(tmp_path, "".join(f"{t:.3f},{p:.3f}\n" for t, p in rows))
    assert run.clock.supposed == (
        "the times are in ms", "column 1 is the clock and column 2 a length"
    )  # fmt: skip


@pytest.mark.parametrize(("every", "supposed"), [(1000, ("each row is a loop",)), (50, ())])
def test_rows_without_lengths_far_apart_are_loops_by_supposition(tmp_path, every, supposed):
    text = "t_ms,volts\n" + "".join(f"{every * k + k % 3},{12 + k % 5}\n" for k in range(90))
    assert read(tmp_path, text).clock.supposed == supposed
