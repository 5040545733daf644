"""What a log tells of its robot's turning: ages by samples' stamps and by a sensor's own pace."""

import numpy as np
import pytest

import looptime
from looptime.errors import NotEnoughError
from looptime.heading import study
from looptime.heading.logged_turning import _resolution, reading_age_ns, turning_of
from looptime.heading.spelling import recorded_motion
from tests.build_run import make_run


def logged(tmp_path, header, *columns, name="log.csv"):
    """A run from a log of these columns."""
    rows = "\n".join(",".join(f"{x:.3f}" for x in row) for row in zip(*columns, strict=True))
    path = tmp_path / name
    path.write_text(f"{header}\n{rows}\n", "utf-8")
    return looptime.read(str(path))


@pytest.mark.parametrize("first", [True, False])
def test_a_samples_own_stamp_is_its_age(tmp_path, first):
    """Samples 7 ms old at even loops of 20 ms: 7 + 20/2 ms on average, whatever column is first.

    At 90 deg/s the heading is 90 x 17 ms off on average and 90 x 27 ms at most.
    """
    loop = 20.0 * np.arange(600) + 400 + 0.5 * (np.arange(600) % 3)
    stamp = loop - 7
    heading = (0.09 * stamp) % 360
    columns = [("loop_time_ms", loop), ("gyro_sample_time_ms", stamp), ("heading_deg", heading)]
    columns = columns if first else [columns[1], columns[0], columns[2]]
    run = logged(tmp_path, ",".join(n for n, _ in columns), *(c for _, c in columns))
    assert run.loop_columns.period_ns.mean() == pytest.approx(20e6, rel=1e-3)
    assert not len(run.call_columns)
    age, said = reading_age_ns(run)
    assert age == pytest.approx(np.full(len(run), 7e6), abs=1e3)
    assert "gyro_sample_age_ms" in said
    found = study(run, motion="recorded", curve=False)
    assert found.age.mean_ms.value == pytest.approx(17, abs=0.1)
    assert np.degrees(found.stale.mean.value) == pytest.approx(0.09 * 17, rel=0.01)
    assert np.degrees(found.stale.max) == pytest.approx(0.09 * 27.5, rel=0.02)


@pytest.mark.parametrize("pace", [200, 500])
def test_a_sensor_slower_than_the_loop_is_as_old_as_its_value(pace):
    """New values every so many ms under even loops of 20 ms: half of that old on average."""
    time = 20.0 * np.arange(3000)
    taken = pace * np.floor(time / pace)
    heading = np.round(0.05 * taken + 12 * np.sin(taken / 3000), 2) % 360
    run = make_run([20.0] * 3000, signals={"heading_deg": heading})
    assert turning_of(run, "heading_deg").every_s == pytest.approx(pace / 1e3, rel=1e-6)
    found = study(run, motion="recorded", curve=False)
    assert found.age.mean_ms.value == pytest.approx(pace / 2, rel=0.01)
    assert found.age.max_ms == pytest.approx(pace, rel=0.01)
    assert any(f"a new value every {pace} ms" in note for note in found.notes)
    steady = study(run, motion="steady:90", curve=False)
    assert np.degrees(steady.stale.mean.value) == pytest.approx(0.09 * pace / 2, rel=0.01)


def test_a_rest_makes_no_reading_old():
    """A robot that stands for 10 s has a heading at most as old as its sensor's pace of 200 ms."""
    time = 20.0 * np.arange(2000)
    turned = np.minimum(time, 20_000) + np.maximum(time - 30_000, 0)
    run = make_run([20.0] * 2000, signals={"heading_deg": 0.03 * np.floor(turned / 200) * 200})
    assert reading_age_ns(run)[0].max() <= 200e6 * 1.35


def test_a_coarse_heading_of_a_slow_turn_is_no_slow_sensor():
    """Whole degrees at 12 deg/s repeat over four rows, and the sensor may be as fast as ever."""
    time = 0.02 * np.arange(2000)
    run = make_run([20.0] * 2000, signals={"heading_deg": np.round(12 * time) % 360})
    assert turning_of(run, "heading_deg").every_s is None
    assert not reading_age_ns(run)[0].any()


@pytest.mark.parametrize(("grid", "rate"), [(5.0, 20.0), (5.0, 50.0), (7.5, 30.0), (2.0, 10.0)])
def test_a_coarse_grid_of_an_even_turn_is_no_slow_sensor(grid, rate):
    """Every value is one step of the grid on, as evenly as a clock: the turn alone makes it so."""
    time = 0.02 * np.arange(2000)
    heading = grid * np.round(rate * time / grid) % 360
    run = make_run([20.0] * 2000, signals={"heading_deg": heading})
    assert turning_of(run, "heading_deg").every_s is None
    assert not reading_age_ns(run)[0].any()


def test_a_slow_sensor_on_a_coarse_grid_jumps_by_several_steps():
    """New every 500 ms in steps of 5 deg: at 20 to 80 deg/s each value is several steps on."""
    time = 0.02 * np.arange(3000)
    taken = 0.5 * np.floor(time / 0.5)
    turned = 50 * taken - 30 * np.cos(taken)
    run = make_run([20.0] * 3000, signals={"heading_deg": 5.0 * np.round(turned / 5) % 360})
    assert turning_of(run, "heading_deg").every_s == pytest.approx(0.5, rel=1e-6)


@pytest.mark.parametrize("rate", [False, True])
def test_which_way_a_heading_went_round_can_not_be_told(rate):
    """New every 500 ms and 200 deg on: 160 the other way is as good, unless a turn rate says."""
    time = 0.02 * np.arange(2000)
    signals = {"heading_deg": (400 * np.floor(time / 0.5) * 0.5) % 360}
    if rate:
        signals["turn_rate_deg_s"] = np.full(2000, 400.0) + np.arange(2000) % 2
    run = make_run([20.0] * 2000, signals=signals)
    if not rate:
        with pytest.raises(NotEnoughError, match=r"can.t tell how .* 160 deg .* or 200 the other"):
            recorded_motion(run)
        return
    made = recorded_motion(run)
    assert np.degrees(made.rate(10.0)) == pytest.approx(400.5, abs=0.6)
    assert any("its way round can't be told" in limit for limit in made.limits)


def test_a_heading_that_goes_on_needs_no_way_round():
    """Values that pass 360 and go on by 200 deg at a time are what they are."""
    time = 0.02 * np.arange(2000)
    run = make_run([20.0] * 2000, signals={"heading_deg": 400 * np.floor(time / 0.5) * 0.5})
    assert np.degrees(recorded_motion(run).rate(20.0)) == pytest.approx(400, rel=0.02)


def test_a_garbled_heading_tells_no_resolution():
    """Tenths of a degree stay tenths beside one value of 1e307, which no rounding can hold."""
    value = np.append(np.arange(50) / 10, 1e307)
    with np.errstate(over="raise"):
        assert _resolution(value, np.full(50, 0.1)) == 0.1
