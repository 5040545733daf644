"""Lengths that are set, and the work told by what it leaves of one; answers are the rows' own."""

import numpy as np
import pytest

import looptime

N = 400
DRAW = np.random.default_rng(4)
IMU, WHEELS, TRAY = (low + DRAW.gamma(4, 0.05, N) for low in (1.0, 2.2, 2.9))
REST = 0.1 + 0.02 * DRAW.random(N)
WORK = IMU + WHEELS + TRAY + REST
START = 12.0 * np.arange(N) + DRAW.normal(0, 0.03, N)
PERIOD = np.append(np.diff(START), 12.0)


def read(tmp_path, header, *columns):
    rows = zip(*(np.broadcast_to(one, N) for one in columns), strict=True)
    path = tmp_path / "log.csv"
    path.write_text(header + "\n" + "".join(",".join(f"{x:.3f}" for x in row) + "\n"
                                            for row in rows), "utf-8")  # fmt: skip
    return looptime.read(str(path))


def means(run):
    calls = run.call_columns
    return {one.name: float(calls.duration_ns[calls.name == at].mean() / 1e6)
            for at, one in enumerate(run.names)}  # fmt: skip


@pytest.mark.parametrize(
    ("names", "unit", "scale"),
    [
        ("tempo,leitura_imu,escrita_rodas,bandeja,ciclo,alvo,folga", "ms", 1),
        ("Zeit,imu,raeder,schale,Zyklus,Soll,Reserve", "us", 1000),
        ("time,alpha,beta,gamma,loop,standard,margin", "ms", 1),  # no name tells anything
    ],
)
def test_what_is_left_of_a_target_tells_the_work_and_its_parts(tmp_path, names, unit, scale):
    """Parts without a unit make up target less slack: work, headroom and parts are known."""
    clock, *parts, period, target, slack = names.split(",")
    header = ",".join(
        [f"{clock}_{unit}", *parts, *(f"{n}_{unit}" for n in (period, target, slack))]
    )
    columns = (START, IMU, WHEELS, TRAY, PERIOD, 12.0, 12 - WORK)
    run = read(tmp_path, header, *(scale * one for one in columns))
    expected = dict(zip(parts, (IMU[:-1], WHEELS[:-1], TRAY[:-1]), strict=True))
    assert means(run) == pytest.approx({n: one.mean() for n, one in expected.items()}, abs=1e-3)
    found = looptime.summarise(run)
    assert found.pace.work_ms.p50.value == pytest.approx(np.median(WORK[:-1]), abs=2e-3)
    assert found.pace.headroom_ms["p50"].value == pytest.approx(np.median(12 - WORK[:-1]), abs=2e-3)
    assert run.clock.tick_ns == 1000 / scale  # three decimals of the unit


@pytest.mark.parametrize("of", ["period less target", "target less period"])
def test_what_a_period_is_off_by_is_no_work(tmp_path, of):
    """The same columns with the deviation of the period: it holds no parts, so work is unknown."""
    off = PERIOD - 12 if of == "period less target" else 12 - PERIOD
    run = read(tmp_path, "t_ms,imu_ms,wheels_ms,target_ms,error_ms", START, IMU, WHEELS, 12.0, off)
    assert set(means(run)) == {"imu", "wheels"}
    assert looptime.summarise(run).pace.work_ms is None


@pytest.mark.parametrize("name", ["alvo", "cible", "norm"])
def test_a_constant_as_long_as_the_loop_is_no_part(tmp_path, name):
    """Not the only one, nor one of several."""
    run = read(tmp_path, f"t_ms,{name}_ms", START, 12.0)
    assert not len(run.names)
    run = read(tmp_path, f"t_ms,imu_ms,{name}_ms", START, IMU, 12.0)
    assert set(means(run)) == {"imu"}


def test_looking_for_a_target_is_a_part(tmp_path):
    """A name that says more than a target, over lengths that are other ones in each row."""
    run = read(tmp_path, "t_ms,imu_ms,target_search_ms", START, IMU, TRAY)
    assert set(means(run)) == {"imu", "target_search"}


def test_one_length_tells_no_tick(tmp_path):
    """A rest of 5 ms in each row beside a clock of three decimals: it ticks in microseconds."""
    run = read(tmp_path, "t_ms,rest_ms", START, 5.0)
    assert means(run) == {"rest": 5.0}
    assert run.clock.tick_ns == 1000


@pytest.mark.parametrize(
    "names",
    ["time,period_target,period_actual,imu,wheels,tray,slack",
     "time,deadline,period,imu,wheels,tray,remaining", "t,soll,periode,imu,raeder,schale,reserve"],
)  # fmt: skip
def test_a_target_without_a_unit_is_in_the_one_in_which_it_is_as_long_as_the_loop(tmp_path, names):
    """A clock in seconds beside lengths in ms, of which no name says so."""
    columns = (START / 1000, 12.0, PERIOD, IMU, WHEELS, TRAY, 12 - WORK)
    run = read(tmp_path, names, *columns)
    expected = dict(zip(names.split(",")[3:6], (IMU, WHEELS, TRAY), strict=True))
    assert means(run) == pytest.approx({n: one.mean() for n, one in expected.items()}, abs=3e-3)
    found = looptime.summarise(run)
    assert found.pace.work_ms.p50.value == pytest.approx(np.median(WORK), abs=3e-3)


@pytest.mark.parametrize("name", ["camera_us", "sleep_time_us", "bus_scan_us"])
def test_a_constant_that_fills_the_loop_with_the_others_is_a_part(tmp_path, name):
    """15 ms to the digit in each loop of about 16.7, and the rest is what the others take."""
    draw = np.random.default_rng(5)
    imu, motors = draw.integers(600, 1400, 200), draw.integers(500, 800, 200)
    at = np.append(0, np.cumsum(imu + motors + 15000))[:-1]
    path = tmp_path / "run.csv"
    rows = "".join(f"{t},{a},{b},15000\n" for t, a, b in zip(at, imu, motors, strict=True))
    path.write_text(f"t_us,imu_us,motors_us,{name}\n{rows}", encoding="utf-8")
    names = {call.name for call in looptime.read(path).names}
    assert names == {"imu", "motors", name.removesuffix("_us")}


def test_what_a_servo_is_sent_is_no_length_of_a_call(tmp_path):
    """Pulses of 1.1 to 1.9 ms that swing to and fro."""
    draw, at = np.random.default_rng(6), np.cumsum(20000 + np.arange(200) % 3)
    pulse = (1500 + 400 * np.sin(np.arange(200) / 9)).astype(int)
    imu = draw.integers(2700, 3300, 200)
    path = tmp_path / "run.csv"
    rows = "".join(f"{t},{a},{p}\n" for t, a, p in zip(at, imu, pulse, strict=True))
    path.write_text(f"t_us,imu_us,servo_target_us\n{rows}", encoding="utf-8")
    assert {call.name for call in looptime.read(path).names} == {"imu"}


def paced(name, length, every, told):
    """Lines of loops of 20 ms with a length in each so many-th; it is late for one that is made."""
    draw, at = np.random.default_rng(7), 0.0
    for k in range(1200):
        imu, wheels = 2 + 0.1 * draw.random(), 7 + 0.3 * draw.random()
        yield f"[{at / 1000:.4f}] loop {k}"
        yield f"[{(at + imu) / 1000:.4f}] imu took {imu:.2f} ms"
        yield f"[{(at + imu + wheels) / 1000:.4f}] wheels took {wheels:.2f} ms"
        there = k % every == every - 1
        if there:
            yield f"[{(at + imu + wheels) / 1000:.4f}] {name} took {length:.2f} ms"
        at += max(20.0, (imu + wheels + length) * (there and told))


@pytest.mark.parametrize("length", [18.0, 20.0, 22.0])
@pytest.mark.parametrize("every", [20, 50])
def test_a_constant_in_some_loops_is_a_call(tmp_path, length, every):
    """One that runs into a timeout about as long as the loop: it stalls the loops it is made in."""
    path = tmp_path / "console.txt"
    path.write_text("\n".join(paced("latch", length, every, True)), "utf-8")
    run = looptime.read(str(path))
    assert means(run)["latch"] == length
    said = looptime.summarise(run).findings[0].text
    assert said.startswith(f"latch stalls the loop for {length:g} ms")


@pytest.mark.parametrize("name", ["alvo", "nominal"])
def test_what_a_line_in_some_loops_says_of_the_step_is_set(tmp_path, name):
    """A status line that names the 20 ms to which the loop keeps: it is no longer for it."""
    path = tmp_path / "console.txt"
    path.write_text("\n".join(paced(name, 20.0, 50, False)), "utf-8")
    assert set(means(looptime.read(str(path)))) == {"imu", "wheels"}
