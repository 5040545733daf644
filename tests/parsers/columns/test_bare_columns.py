"""Short lengths in whole units of a coarse clock, under headers that name no unit."""

import numpy as np
import pytest

import looptime
from looptime.analysers.pacing import pacing
from looptime.findings import summarise


def whole(seed=1, loops=1000, period_ms=20.2):
    """Starts [ms], a read, a solver and a rare upload, of a loop that sleeps out its tick."""
    rng = np.random.default_rng(seed)
    start = 5000 + np.cumsum(period_ms + rng.exponential(0.2, loops))
    upload = np.where(np.arange(loops) % 20 == 0, 8.1, 0.0)
    return start, rng.normal(2.2, 0.2, loops), rng.normal(6.3, 0.3, loops), upload


def read(tmp_path, header, columns):
    """The run of a log whose columns are cut to whole numbers."""
    rows = "\n".join(",".join(str(int(x)) for x in row) for row in zip(*columns, strict=True))
    path = tmp_path / "log.csv"
    path.write_text(f"{header}\n{rows}\n", "utf-8")
    return looptime.read(str(path))


@pytest.mark.parametrize("names", ["gyro,solver,upload", "imu,grip,post", "drive_read,left,right"])
@pytest.mark.parametrize("seed", [1, 2])
def test_they_may_be_lengths_and_that_is_said(tmp_path, names, seed):
    """No arithmetic tells whether they are: neither the pace is told, nor that all is fine."""
    run = read(tmp_path, f"millis,{names}", whole(seed))
    assert run.clock.unsaid == tuple(names.split(","))
    assert any("are lengths of time can't be told" in limit for limit in run.clock.limits)
    assert pacing(run).mode == "can't tell"
    first = summarise(run).findings[0]
    assert (first.code, first.severity) == ("healthy", "look")
    assert "columns" in first.command


def test_with_a_unit_in_their_headers_they_are_parts(tmp_path):
    """The same with units: three calls, none of them in doubt."""
    run = read(tmp_path, "millis,gyro_ms,solver_ms,upload_ms", whole())
    assert [call.name for call in run.names] == ["gyro", "solver", "upload"]
    assert not run.clock.unsaid


def test_what_is_no_length_is_none(tmp_path):
    """A state that stays, a count that rises, a position that winds, and no name of a call."""
    start = whole()[0]
    k = np.arange(len(start))
    columns = (start, k // 200 % 3, k // 7, 1000 + 300 * np.sin(k / 90))
    run = read(tmp_path, "millis,mode,trays,mast", columns)
    assert run.clock.unsaid == ()
    first = summarise(run).findings[0]
    assert (first.code, first.severity) == ("healthy", "fine")
