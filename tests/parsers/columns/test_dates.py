"""The date in one column and the time of day in another are one instant."""

import datetime

import pytest

import looptime
from looptime.parsers.columns_taken import columns_taken


def write(tmp_path, days, form="%Y-%m-%d", gap_h=0, header="date,time,heading"):
    """Loops of 20 ms around midnight; `days` counts the date of each half from the first."""
    begin = datetime.datetime(2026, 4, 3, 23, 59, 59, tzinfo=datetime.UTC)
    rows = [header]
    for k in range(100):
        at = begin + datetime.timedelta(milliseconds=20 * k, hours=gap_h if k >= 50 else 0)
        day = begin + datetime.timedelta(days=days[k >= 50])
        rows.append(f"{day.strftime(form)},{at.strftime('%H:%M:%S.%f')},{90 + k}")
    path = tmp_path / "log.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("form", ["%Y-%m-%d", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%y"])
def test_midnight_is_no_step(tmp_path, form):
    """The date goes on as the time of day begins anew: 99 loops of 20 ms, no wrap, no jump."""
    (run,) = looptime.read_log(write(tmp_path, (0, 1), form)).runs
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}
    assert run.clock.wraps == run.clock.jumps == ()


def test_a_date_that_stays_leaves_the_wrap(tmp_path):
    """The date of the start in every row: the time of day wraps at midnight, as without it."""
    (run,) = looptime.read_log(write(tmp_path, (0, 0))).runs
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}
    assert len(run.clock.wraps) == 1


def test_days_between_two_recordings_are_seen(tmp_path):
    """Two days and one hour later: two runs, though the times of day lie an hour apart."""
    log = looptime.read_log(write(tmp_path, (0, 3), gap_h=1))
    assert len(log.runs) == 2
    assert max(int(run.loop_columns.period_ns.max()) for run in log.runs) == 20_000_000


@pytest.mark.parametrize(
    ("days", "said"), [((0, 1), "the dates go on by a day so"), ((0, 0), "no figure depends on it")]
)
def test_columns_says_how_dates_are_read(tmp_path, days, said):
    """03/04 may be of March or of April: what decided is said, or that nothing hangs on it."""
    found = columns_taken(write(tmp_path, days, "%d/%m/%Y"))
    assert [one.taken_as for one in found.columns] == ["date of the clock", "clock", "heading"]
    assert said in found.columns[1].unit_from


def test_an_ambiguous_date_and_time_in_one_column_is_said(tmp_path):
    """So it is where both stand in one cell."""
    path = tmp_path / "log.csv"
    rows = "".join(f"03/04/2026 10:00:{k // 50:02d}.{k % 50 * 20:03d},{k}\n" for k in range(100))
    path.write_text("time,heading\n" + rows, encoding="utf-8")
    found = columns_taken(path)
    assert "or the other way round: no figure depends on it" in found.columns[0].unit_from
