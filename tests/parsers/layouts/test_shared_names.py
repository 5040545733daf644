"""Calls of one name on several devices."""

import numpy as np
import pytest

from looptime import read, summarise

#: Device, bus, what is done there, and how long it takes [us].
PARTS = (("fl", "can0", "write", 900), ("fr", "can0", "write", 950),
         ("gyro", "i2c", "read", 1600), ("tray", "can1", "write", 2400))  # fmt: skip


def lines(loops=120):
    """Loop, start, device, bus, what is done, length [us]: a pause of 500 us ends each loop."""
    draw, at = np.random.default_rng(7), 1000
    for loop in range(loops):
        for device, bus, done, took in PARTS:
            length = int(took + draw.integers(-40, 41))
            yield loop, at, device, bus, done, length
            at += length + 20
        at += 500


def run_of(tmp_path, header, row, loops=120):
    path = tmp_path / "log.csv"
    text = "".join(row.format(k, t, d, b, o, n, t + n) for k, t, d, b, o, n in lines(loops))
    path.write_text(f"{header}\n{text}", encoding="utf-8")
    return read(path)


def means(run):
    """Milliseconds a loop of each call, to a tenth."""
    return {cost.name: round(cost.self_ms_per_loop, 1) for cost in summarise(run).costs.calls}


OF_DEVICES = {"fl.write": 0.9, "fr.write": 0.9, "gyro.read": 1.6, "tray.write": 2.4}


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("loop,t_us,dev,bus,op,dur_us", "{0},{1},{2},{3},{4},{5}\n"),
        ("bus,device,start_us,end_us,function", "{3},{2},{1},{6},{4}\n"),
        ("t_us,dev,op,edge", "{1},{2},{4},begin\n{6},{2},{4},end\n"),
        ("device,op,us", "{2},{4},{5}\n"),
        ("loop,device,task,duration_us", "{0},{2},{4},{5}\n"),
    ],
)
def test_each_device_has_a_call_of_its_own(tmp_path, header, row):
    """Three devices are written to and one is read: planted lengths, give or take 0.04 ms."""
    run = run_of(tmp_path, header, row)
    found = means(run)
    assert found.keys() == OF_DEVICES.keys()
    assert all(found[name] == pytest.approx(ms, abs=0.11) for name, ms in OF_DEVICES.items())
    assert {call.name.split(".")[0]: call.device for call in run.names} == {
        word: word for word in ("fl", "fr", "gyro", "tray")
    }


def test_the_time_of_each_bus_is_that_of_its_own_calls(tmp_path):
    """0.9 + 0.95 ms on can0, 2.4 on can1; the name alone would put all on the first one."""
    run = run_of(tmp_path, "t_us,op,bus,dur_us", "{1},{4},{3},{5}\n")
    on = {call.name: call.bus for call in run.names}
    assert on == {"write on can0": "can0", "write on can1": "can1", "read": "i2c"}
    assert means(run)["write on can0"] == pytest.approx(1.85, abs=0.1)
    told = [note for note in run.clock.notes if "several in 'bus'" in note]
    assert len(told) == 1
    assert told[0] == ("'write': rows of several in 'bus', so each is a call of its own, such as "
                       "'write on can0'")  # fmt: skip


def test_a_kind_in_the_teams_words_is_one_of_the_kinds(tmp_path):
    """One name is read and written: two calls, and each of the kind that its row says."""
    run = run_of(tmp_path, "t_us,name,kind,dur_us", "{1},board,{4},{5}\n")
    assert {call.name: call.kind for call in run.names} == {
        "board.write": "actuator write", "board.read": "sensor read",
    }  # fmt: skip


def names_beside(tmp_path, column, cell, names=("gyro", "belt")):
    """Names of two calls a loop of 10 ms, beside a column of their own."""
    return {call.name for call in run_beside(tmp_path, column, cell, names).names}


def run_beside(tmp_path, column, cell, names, **options):
    path, each = tmp_path / "log.csv", 10_000 // len(names)
    rows = "".join(f"{10000 * k + each * j},{name},{each // 2 + 10 * (k % 3)},{cell(k, j)}\n"
                   for k in range(120) for j, name in enumerate(names))  # fmt: skip
    path.write_text(f"t_us,name,dur_us,{column}\n{rows}", encoding="utf-8")
    return read(path, **options)


def test_a_device_that_was_moved_once_keeps_its_name(tmp_path):
    """Half the run on one bus, half on another."""
    assert names_beside(tmp_path, "bus", lambda k, j: f"can{int(k > 60)}") == {"gyro", "belt"}


def test_the_call_that_begins_a_loop_keeps_its_name(tmp_path):
    """Asked for by its name, which two devices share."""
    path = tmp_path / "log.csv"
    rows = "".join(f"{5000 * k},{'ab'[k % 2]},poll,{900 + k % 5}\n"
                   f"{5000 * k + 1000},a,drive,{2000 + k % 7}\n" for k in range(120))  # fmt: skip
    path.write_text(f"t_us,dev,name,dur_us\n{rows}", encoding="utf-8")
    run = read(path, loop_call="poll")
    assert len(run) == 119
    assert {call.name for call in run.names} == {"poll", "drive"}
    assert {call.name for call in read(path).names} > {"a.poll", "b.poll"}


@pytest.mark.parametrize(
    ("column", "cells"),
    [("sensor", "01"), ("kind", ("ok", "retry")), ("port", "12"), ("device", ("fl", ""))],
)
def test_readings_and_results_tell_no_calls_apart(tmp_path, column, cells):
    """A switch of 0 or 1, how it went, or one device that is not always named: one call."""
    found = names_beside(tmp_path, column, lambda k, j: cells[k * k % 3 % 2])
    assert found == {"gyro", "belt"}


def test_devices_may_be_numbered(tmp_path):
    """Addresses 3 and 4 under one name are two calls."""
    found = names_beside(tmp_path, "dev", lambda k, j: 3 + j, ("poll", "poll"))
    assert found == {"3.poll", "4.poll"}


def test_beside_devices_of_one_name_only_a_mere_word_is_lengthened(tmp_path):
    """What names its device or more than a word stays, as does the call that begins a loop."""
    names = ("poll", "write", "write", "read", "imu.read", "gyroread", "read2")
    devices = ("can", "fl", "fr", "tof", "i2c", "gyro", "spi")
    run = run_beside(tmp_path, "device", lambda k, j: devices[j], names, loop_call="poll")
    found = {call.name for call in run.names}
    assert found == {"poll", "fl.write", "fr.write", "tof.read", "imu.read", "gyroread", "read2"}


def test_rows_without_a_device_keep_their_name(tmp_path):
    """One of twelve names no device: two devices, and the calls of which nobody knows."""
    names = ("write", "write", "stop")
    found = names_beside(tmp_path, "device", lambda k, j: ("fl", "fr", "")[j] if k % 12 else "",
                         names)  # fmt: skip
    assert found == {"fl.write", "fr.write", "write", "stop"}


def test_words_that_hardly_come_again_are_no_devices(tmp_path):
    """Where one of two rows has a word of its own, the two that come again are none either."""
    found = names_beside(tmp_path, "device", lambda k, j: f"tray{k}" if k % 2 else "ab"[k // 2 % 2])
    assert found == {"gyro", "belt"}


def test_a_device_of_hardly_any_row_is_none(tmp_path):
    """Once in 120 rows a call names another device: a slip."""
    odd = {30: "x", 31: "", 90: "y"}
    assert names_beside(tmp_path, "device", lambda k, j: odd.get(k, "fl")) == {"gyro", "belt"}


def test_kinds_tell_calls_of_one_name_apart(tmp_path):
    """Those of the log's own words for them, of which ``other`` is one."""
    found = names_beside(tmp_path, "kind", lambda k, j: ("compute", "other")[j], ("arm", "arm"))
    assert found == {"arm.compute", "arm.other"}


def test_no_more_than_three_names_are_said(tmp_path):
    """Five are shared by two devices each; the others are counted."""
    names = [name for name in ("set", "get", "arm", "run", "sum") for _ in "ab"]
    run = run_beside(tmp_path, "device", lambda k, j: "lr"[j % 2], names)
    told = next(note for note in run.clock.notes if "several in 'device'" in note)
    assert told.startswith("'set', 'get', 'arm' and 2 more: rows of several")
    assert "'l.set'" in told
