"""Lengths that are set, and the work told by what it leaves of one; answers are the rows' own."""

import numpy as np
import pytest

import looptime
from looptime.parsers.columns.role import Seen
from looptime.parsers.columns.set_lengths import told_by_words
from tests.parsers.build import read as read_text
from tests.parsers.build import self_ms

N = 400
DRAW = np.random.default_rng(4)
IMU, WHEELS, TRAY = (low + DRAW.gamma(4, 0.05, N) for low in (1.0, 2.2, 2.9))
REST = 0.1 + 0.02 * DRAW.random(N)
WORK = IMU + WHEELS + TRAY + REST
START = 12.0 * np.arange(N) + DRAW.normal(0, 0.03, N)
PERIOD = np.append(np.diff(START), 12.0)


def read(tmp_path, header, *columns, decimals=3):
    """400 loops; what is NaN is left out."""
    rows = zip(*(np.broadcast_to(one, N) for one in columns), strict=True)
    cells = [["" if np.isnan(x) else f"{x:.{decimals}f}" for x in row] for row in rows]
    return read_text(tmp_path, "\n".join([header, *map(",".join, cells)]))


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
        ("time,imu,wheels,tray,loop,target,slack", "s", 0.001),
    ],
)
def test_what_is_left_of_a_target_tells_the_work_and_its_parts(tmp_path, names, unit, scale):
    """Parts without a unit make up target less slack: work, headroom and parts are known."""
    clock, *parts, period, target, slack = names.split(",")
    header = ",".join(
        [f"{clock}_{unit}", *parts, *(f"{n}_{unit}" for n in (period, target, slack))]
    )
    columns = (START, IMU, WHEELS, TRAY, PERIOD, 12.0, 12 - WORK)
    decimals = 6 if unit == "s" else 3
    run = read(tmp_path, header, *(scale * one for one in columns), decimals=decimals)
    expected = dict(zip(parts, (IMU[:-1], WHEELS[:-1], TRAY[:-1]), strict=True))
    assert means(run) == pytest.approx({n: one.mean() for n, one in expected.items()}, abs=1e-3)
    found = looptime.summarise(run)
    assert found.pace.work_ms.p50.value == pytest.approx(np.median(WORK[:-1]), abs=2e-3)
    assert found.pace.headroom_ms["p50"].value == pytest.approx(np.median(12 - WORK[:-1]), abs=2e-3)
    assert run.clock.tick_ns == {"s": 1000, "ms": 1000, "us": 1}[unit]  # as its decimals say


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


def noted(tmp_path, start, *columns):
    """What is found in 400 loops: a clock, and columns by name; what is NaN is left out."""
    names = ",".join(["t_ms", *(f"{name}_ms" for name, _ in columns)])
    return means(read(tmp_path, names, start, *(values for _, values in columns)))


@pytest.mark.parametrize("every", [7, 20])
@pytest.mark.parametrize("share", [0.85, 1.0, 1.2])
def test_a_note_of_what_is_set_in_some_loops_is_no_call(tmp_path, every, share):
    """How long a grip holds: loops with the note, of 3 to 10 ms each, are no longer than others."""
    draw = np.random.default_rng(8)
    imu, wheels = draw.gamma(40, 0.1, N), draw.gamma(40, 0.15, N)
    start = np.append(0, np.cumsum(imu + wheels + 0.4)[:-1])
    hold = np.where(np.arange(N) % every == 0, round(10.4 * share, 1), np.nan)
    found = noted(tmp_path, start, ("imu", imu), ("wheels", wheels), ("grip_hold", hold))
    expected = {"imu": imu[:-1].mean(), "wheels": wheels[:-1].mean()}
    assert found == pytest.approx(expected, abs=3e-3)


@pytest.mark.parametrize("made", [True, False])
def test_a_call_that_takes_a_paced_loop_from_its_wait(tmp_path, made):
    """The loop is no longer for it, but waits 10 ms less; beside a note it waits as ever."""
    hold = np.where(np.arange(N) % 15 == 0, 10.0, np.nan)
    wait = 12 - 1 - 0.1 * DRAW.random(N) - np.where(made, np.nan_to_num(hold), 0)
    imu = 11.98 - wait - np.where(made, np.nan_to_num(hold), 0)
    columns = (("imu", imu), ("latch", hold), ("sleep", wait))
    found = noted(tmp_path, 12.0 * np.arange(N), *columns)
    assert ("latch" in found) == made


#: 400 rows of a column, by how they go on.
_ROWS = np.arange(400)
LIKE = {
    "measured": DRAW.gamma(4, 0.5, 400).round(3),
    "of a few": DRAW.integers(10, 14, 400) * 1.0,
    "gliding": 1500 + 400 * np.sin(_ROWS / 9),
    "rising": np.where(_ROWS == 200, 1e6, _ROWS * 3.0),  # one row of it is corrupt
    "of some rows": np.where(_ROWS % 25 == 0, DRAW.gamma(4, 0.5, 400), np.nan),
}


@pytest.mark.parametrize(
    ("words", "unit", "like", "meaning"),
    [
        ("target search", 10**6, "measured", "duration"),
        ("tray goal", 10**6, "measured", "duration"),
        ("loop target", 10**6, "measured", "setting"),  # of the loop, whatever it is
        ("wheel speed limit", 10**6, "measured", "setting"),
        ("motor target", 10**6, "measured", "setting"),  # it is sent
        ("target search", None, "measured", "setting"),
        ("target search", 10**6, "of a few", "setting"),
        ("tray goal", 10**6, "gliding", "setting"),
        ("target search", 10**6, "rising", "setting"),
        ("target search", 10**6, "of some rows", "setting"),
    ],
)
def test_a_target_that_was_measured_is_the_search_for_it(words, unit, like, meaning):
    """Lengths, other ones in each row, under a name that says what was looked for."""
    one = Seen("setting", LIKE[like], unit, tuple(words.split()), words)
    assert told_by_words(one).meaning == meaning


def test_how_old_a_target_is_stays_its_age():
    """Words of a target make no part of what another word has told."""
    one = Seen("latency", LIKE["measured"], 10**6, ("target", "search"), "target search age")
    assert told_by_words(one) is one


def test_what_was_done_in_a_few_loops_is_not_set(tmp_path):
    """Three loops that are 10 ms longer by what a column says: the same in each, but a part."""
    late = np.isin(np.arange(N), (90, 200, 310))
    start = np.append(0, np.cumsum(12 + IMU + 10 * late)[:-1])
    run = read(tmp_path, "t_ms,imu_ms,crate_ms", start, IMU, np.where(late, 10, np.nan))
    assert sum(self_ms(run)["crate"]) == pytest.approx(30)


def headroom_of(tmp_path, header, *columns):
    """Median of it [ms], None where the work is not known; 400 loops of 12 ms."""
    found = looptime.summarise(read(tmp_path, header, START, *columns)).pace
    return found.headroom_ms["p50"].value if found.work_ms else None


def test_a_slack_is_told_beside_columns_that_are_no_lengths(tmp_path):
    """A number that goes on is none, nor is a reading that alone would exceed the loop."""
    trays = np.arange(N) // 3 * 5.0
    slack = np.median(12 - WORK)
    names = "t_ms,alpha,beta,gamma,trays,target_ms,slack_ms"
    found = headroom_of(tmp_path, names, IMU, WHEELS, TRAY, trays, 12.0, 12 - WORK)
    assert found == pytest.approx(slack, abs=3e-3)
    names = "t_ms,alpha_ms,beta_ms,gamma_ms,lux,target_ms,slack_ms"
    lux = DRAW.normal(300, 20, N)
    found = headroom_of(tmp_path, names, IMU, WHEELS, TRAY, lux, 12.0, 12 - WORK)
    assert found == pytest.approx(slack, abs=3e-3)


def test_what_is_less_than_its_parts_is_no_work(tmp_path):
    """It grows with their sum one for one, and yet is always 2 ms less: it cannot hold them."""
    names = "t_ms,imu_ms,wheels_ms,tray_ms,target_ms,error_ms"
    off = 12 - (IMU + WHEELS + TRAY - 2)
    assert headroom_of(tmp_path, names, IMU, WHEELS, TRAY, 12.0, off) is None


def test_parts_of_a_few_rows_tell_no_work(tmp_path):
    """Fifteen rows in which a part is logged show no relation."""
    part = np.where(np.arange(N) % 27 == 0, IMU, np.nan)
    names = "t_ms,imu_ms,target_ms,error_ms"
    assert headroom_of(tmp_path, names, part, 12.0, 12 - IMU - REST) is None


def test_a_total_in_the_log_goes_before_what_is_left_of_a_target(tmp_path):
    """The log says what a loop's work is, 2 ms more than the slack that another timer knows."""
    names = "t_ms,imu_ms,wheels_ms,tray_ms,total_ms,target_ms,slack_ms"
    found = headroom_of(tmp_path, names, IMU, WHEELS, TRAY, WORK + 2, 12.0, 12 - WORK)
    assert found == pytest.approx(np.median(12 - WORK - 2), abs=0.01)
