"""Units that stand in a column of their own."""

import numpy as np
import pytest

from tests.parsers.build import read, self_ms


@pytest.mark.parametrize("head", ["loop,call,duration,unit", "start_ms,call,took,unit"])
def test_a_unit_of_its_own_in_each_row_of_a_call(tmp_path, head):
    """One call is logged in us and another in ms; a loop of 20 ms makes the first twice."""
    rows = []
    for k in range(60):
        begin = [k] * 3 if head.startswith("loop") else [20 * k, 20 * k + 3, 20 * k + 6]
        rows += [f"{begin[0]},camera,{4 + k % 3},ms" if head.startswith("loop")
                 else f"{begin[0]},camera,{2 + k % 3 / 4},ms",
                 f"{begin[1]},imu,{900 + k},us", f"{begin[2]},imu,{950 + k},us"]  # fmt: skip
    run = read(tmp_path, head + "\n" + "\n".join(rows) + "\n")
    loops = np.arange(len(run))
    assert self_ms(run)["imu"] == pytest.approx((1850 + 2 * loops) / 1e3)
    camera = 4 + loops % 3 if head.startswith("loop") else 2 + loops % 3 / 4
    assert self_ms(run)["camera"] == pytest.approx(camera)


UNITS = {"us": 1e3, "ms": 1e6, "ns": 1.0, "s": 1e9}


@pytest.mark.parametrize("head", ["stamp,quantity,reading,unit", "time_s,name,value,units"])
@pytest.mark.parametrize("units", [["us"], ["us", "ms", "s", "ns"]])
@pytest.mark.parametrize("ends", [0, 1])
def test_rows_in_no_unit_of_time_are_values_beside_the_calls(tmp_path, head, units, ends):
    """Reads of 1 to 3 ms, each logged as it begins or ends; an angle, a voltage and a counter."""
    rows, at = [], 0.0
    for k in range(200):
        for which, call in enumerate(("gyro", "tray", "drive")):
            took, unit = 1.0 + which + k % 3 / 10, units[(k + which) % len(units)]
            size = took * 1e6 / UNITS[unit]
            rows.append(f"{(at + ends * took) / 1e3:.6f},{call},{size:.12g},{unit}")
            at += took
        rows.append(f"{at / 1e3:.6f},heading,{k / 100:.2f},rad")
        rows.append(f"{at / 1e3:.6f},passes,{k},count")
        rows += [f"{at / 1e3:.6f},supply,12.5,V"] if k % 9 == 0 else []
        at += 1.0
    run = read(tmp_path, head + "\n" + "\n".join(rows) + "\n")
    took = 1.0 + np.arange(len(run)) % 3 / 10
    assert {one.name for one in run.names} == {"gyro", "tray", "drive"}
    assert self_ms(run)["gyro"] == pytest.approx(took)
    assert self_ms(run)["drive"] == pytest.approx(2 + took)
    assert set(run.signals.values) == {"heading_deg", "passes [count]", "supply [V]"}
    heading = run.signals.values["heading_deg"]
    assert np.nanmax(heading) == pytest.approx(np.degrees(1.99), abs=0.6)
    (note,) = [one for one in run.clock.notes if "unit" in one]
    assert "heading (rad)" in note
    assert note.endswith("in no unit of time, so values and no calls")


def test_an_angle_of_a_long_table_is_in_the_unit_of_its_row(tmp_path):
    """Values are printed together at the end of loops of 20 ms."""
    rows = [f"{20 * k + 20},{one}" for k in range(60) for one in
            (f"imu,{900 + k % 3},us", "drive,7,ms", f"heading,{k / 100},rad")]  # fmt: skip
    run = read(tmp_path, "time_ms,key,value,unit\n" + "\n".join(rows) + "\n")
    assert {one.name for one in run.names} == {"imu", "drive"}
    assert np.nanmax(run.signals.values["heading_deg"]) == pytest.approx(np.degrees(0.58))


@pytest.mark.parametrize("form", ["group", "row", "inside", "table"])
def test_one_unit_that_every_row_states_is_that_of_its_lengths(tmp_path, form):
    """The clock beside them is in seconds, and the voltage in none."""
    k = np.arange(300)
    gyro, drive = 1.1 + k % 7 / 100, 4.8 + k % 5 / 100
    rows = []
    for at, a, b in zip(k.tolist(), gyro.tolist(), drive.tolist(), strict=True):
        stamp, lengths = f"{31.5 + 0.016 * at:.5f}", f'"gyro": {a:.2f}, "drive": {b:.2f}'
        rows.append({
            "group": f'{{"ts": {stamp}, "timing": {{{lengths}}}, "unit": "ms", "battery": 12.5}}',
            "inside": f'{{"ts": {stamp}, "timing": {{{lengths}, "unit": "ms"}}, "battery": 12.5}}',
            "row": f'{{"ts": {stamp}, {lengths}, "battery": 12.5, "unit": "ms"}}',
            "table": f"{stamp},{a:.2f},{b:.2f},12.5,ms",
        }[form])  # fmt: skip
    text = ("ts,gyro,drive,battery,unit\n" if form == "table" else "") + "\n".join(rows) + "\n"
    run = read(tmp_path, text)
    own = self_ms(run)
    assert sorted(own) == ["drive", "gyro"]
    assert own["gyro"] == pytest.approx(gyro[: len(run)].round(2))
    assert run.clock.supposed == ()
    assert run.loop_columns.period_ns / 1e6 == pytest.approx(16, abs=0.011)
