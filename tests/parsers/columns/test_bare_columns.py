"""Short lengths in whole units of a coarse clock, under headers that name no unit."""

import numpy as np
import pytest

import looptime
from looptime.analysers.pacing import pacing
from looptime.findings import summarise
from looptime.parsers.columns_taken import columns_taken


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


def printed(tmp_path, header, *columns):
    """The run of a log of 400 rows, with three decimals."""
    rows = "".join(",".join(f"{x:.3f}" for x in row) + "\n" for row in zip(*columns, strict=True))
    path = tmp_path / "log.csv"
    path.write_text(f"{header}\n{rows}", "utf-8")
    return looptime.read(str(path))


def paced(rows=400):
    """Starts and periods of a loop of 12 ms, and three lengths in it that nothing moves with."""
    rng = np.random.default_rng(4)
    start = 12.0 * np.arange(rows) + rng.normal(0, 0.03, rows)
    lengths = [low + rng.gamma(4, 0.05, rows) for low in (1.0, 2.2, 2.9)]
    return [start, np.append(np.diff(start), 12.0), *lengths]


@pytest.mark.parametrize(
    "header",
    [
        "t_ms,dt_ms,dt_imu,t_drive,t_tray",
        "time_ms,loop_ms,imu_read,drive_update,tray_write",
        "tempo_ms,ciclo_ms,leitura_imu,escrita_rodas,escrita_bandeja",
    ],
)
def test_names_of_what_is_timed_are_parts_in_the_unit_beside_them(tmp_path, header):
    """They fit into the loop in the one unit that is stated; that they are lengths is supposed."""
    run = printed(tmp_path, header, *paced())
    assert {call.name for call in run.names} == set(header.split(",")[2:])
    assert run.call_columns.duration_ns.max() < 5e6
    supposed = [one for one in run.clock.supposed if "length of time" in one]
    assert len(supposed) == 1
    assert header.split(",")[-1] in supposed[0]
    assert any("if " in finding.text for finding in summarise(run).findings)


def test_beside_parts_with_units_a_name_is_asked_only(tmp_path):
    """Who writes units on lengths leaves them off values: it is told, with what would say it."""
    run = printed(tmp_path, "t_ms,loop_ms,imu_ms,drive_ms,tray_write", *paced())
    assert {call.name for call in run.names} == {"imu", "drive"}
    assert run.clock.unsaid == ("tray_write",)
    assert "whether tray_write is a length of time can't be told: a unit in its name (--columns) " \
           "would say so" in run.clock.limits  # fmt: skip
    first = summarise(run).findings[0]
    assert first.severity == "look"
    assert "tray_write may be a length of time" in first.text


def test_values_that_glide_or_are_printed_otherwise_are_no_parts(tmp_path):
    """Temperatures of motors beside a part: slow ones, and noisy ones of another digit."""
    start, period, imu, *_ = paced()
    rng = np.random.default_rng(9)
    slow = 3 + np.cumsum(rng.normal(0, 0.004, len(start)))
    noisy = np.round(3 + rng.normal(0, 0.3, len(start)))
    run = printed(tmp_path, "t_ms,dt_ms,dt_imu,t_drive,t_tray", start, period, imu, slow, noisy + 1)
    assert {call.name for call in run.names} == {"dt_imu"}


def test_steps_that_grow_by_just_as_much_leave_no_doubt(tmp_path):
    """A part with a signal's name: all steps are those three lengths and a little more."""
    _, _, imu, steer, tray = paced()
    start = np.concatenate([[0], np.cumsum(imu + steer + tray + 0.5)[:-1]])
    run = printed(tmp_path, "t_ms,imu,steer,tray", start, imu, steer, tray)
    assert {call.name for call in run.names} == {"imu", "steer", "tray"}
    assert not any("not certain" in note for note in run.clock.notes)


@pytest.mark.parametrize(("name", "parts"), [("battery_v", 0), ("throttle", 1)])
def test_volts_are_no_part_though_the_loop_grows_with_them(tmp_path, name, parts):
    """A motor's time goes up and down with the battery for a while: it is in volts all the same."""
    rng = np.random.default_rng(3)
    load = rng.uniform(3000, 9000, 200)
    at = np.cumsum(load + 2000 + rng.uniform(0, 100, 200))
    run = read(tmp_path, f"t_us,gyro_us,{name}", (at, np.full(200, 2000), load))
    assert sum(call.name == name for call in run.names) == parts


@pytest.mark.parametrize("stalls", [True, False])
def test_without_a_header_what_fits_beside_may_be_a_length(tmp_path, stalls):
    """One part makes the loop late, and two others nothing tells of: so it is said."""
    rng = np.random.default_rng(6)
    rows = 500
    parts = [rng.normal(usual, 0.3, rows) for usual in (1.8, 5.0, 3.0)]
    late = stalls & (np.arange(rows) % 40 == 7)
    parts[2] = np.where(late, rng.uniform(25, 33, rows), parts[2])
    start = 0.02 * np.concatenate([[0], np.cumsum(np.where(late, 2, 1))[:-1]])
    lines = [f"{k},{at:.4f},{','.join(f'{one:.2f}' for one in own)}"
             for k, (at, *own) in enumerate(zip(start, *parts, strict=True))]  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n")
    run = looptime.read(path)
    wanted = ("column_3", "column_4", "column_5")[: 2 if stalls else 3]
    assert run.clock.unsaid == wanted
    assert any("are lengths of time can't be told" in limit for limit in run.clock.limits)
    assert [call.name for call in run.names] == ["column_5"] * stalls
    taken = columns_taken(path).columns
    assert [one.sure for one in taken[2:4]] == ["unsure"] * 2
    assert "--columns" in taken[2].why
