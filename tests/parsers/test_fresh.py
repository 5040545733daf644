"""How a log is opened: a first column without a name, as a frame's index, may be its clock."""

import numpy as np
import pandas as pd
import pytest

from looptime.parsers.fresh import _may_be_tagged
from looptime.parsers.lines.monitor import split_tag
from tests.parsers.build import read, self_ms

RNG = np.random.default_rng(1)
PARTS = pd.DataFrame({"gyro_ms": RNG.normal(1.1, 0.05, 600), "mot_ms": RNG.normal(3, 0.1, 600)})
#: Ends of the loops [ms]: 6.2 ms pass outside the parts.
AT = np.cumsum(PARTS.sum(axis=1).to_numpy() + 6.2)


@pytest.mark.parametrize(
    "index",
    [AT, AT / 1e3, 1.767e9 + AT / 1e3, (AT * 1e3).astype(int),
     pd.to_datetime(AT * 1e6 + 1.767e18)],
)  # fmt: skip
def test_an_index_that_rises_as_a_clock_does_is_one(tmp_path, index):
    """The period is that of the index, not the sum of the parts."""
    run = read(tmp_path, PARTS.round(3).set_axis(index).to_csv())
    period = run.loop_columns.period_ns / 1e6
    assert np.median(period) == pytest.approx(np.median(np.diff(AT)), abs=0.02)
    assert np.median(self_ms(run)["mot"]) == pytest.approx(PARTS.mot_ms.median(), abs=0.01)


@pytest.mark.parametrize("step", [1, 5])
def test_an_index_that_counts_rows_is_none(tmp_path, step):
    """Nor is that of every fifth loop."""
    text = PARTS.round(3).set_axis(np.arange(0, 600 * step, step)).to_csv()
    run = read(tmp_path, text)
    assert np.median(run.loop_columns.period_ns) / 1e6 == pytest.approx(4.1, abs=0.1)


def test_a_first_column_with_a_name_keeps_it(tmp_path):
    """What rises under a name of its own, as a distance driven does, is no clock for that."""
    frame = PARTS.round(3).set_axis(pd.Index(AT / 7, name="odometer_m"))
    run = read(tmp_path, frame.to_csv())
    assert np.median(run.loop_columns.period_ns) / 1e6 == pytest.approx(4.1, abs=0.1)


def test_rows_of_any_length_that_begin_alike_are_looked_at_once(tmp_path):
    """A tag is short: what rows of a million letters share is not searched end to end."""
    long = "tray " * 100_000
    text = "".join(f"{long}{k},{20 * k},3\n" for k in range(9))
    assert not _may_be_tagged(text)
    assert split_tag(text.splitlines()) is None
