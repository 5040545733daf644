"""Cells that hold nothing, or numbers with exponents."""

from __future__ import annotations

import numpy as np

from tests.parsers.build import periods_ms, read


def test_empty_and_nan_cells(tmp_path):
    """A value that is not there leaves its row; a time that is not there does not."""
    text = "time_ms,heading\n0,1\n10,nan\n20,\n30,n/a\n,5\nnan,5\n60,2\n70,3\n"
    run = read(tmp_path, text)
    assert periods_ms(run) == [10.0, 10.0, 10.0, 10.0]
    assert run.set_aside.counts == {
        "missing value": 2,
        "unfinished last loop": 1,
        "rows lost around it": 1,
    }
    assert np.isnan(run.signals.values["heading_deg"]).tolist() == [False, True, True, False]


def test_exponents(tmp_path):
    """Numbers may have exponents."""
    run = read(tmp_path, "time_s,heading\n0e0,1\n2e-2,7e-05\n4.0E-2,1\n0.06,1\n")
    assert periods_ms(run) == [20.0] * 3
    assert run.signals.values["heading_deg"][1] == 7e-05
