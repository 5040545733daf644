"""Recordings of pins, as a logic analyser or a sampling board writes them."""

from bisect import bisect_right

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.lines import pins
from tests.parsers.build import periods_ms, read, self_ms

#: What a loop does, and how long it takes as a rule [us].
PARTS = {"GYRO": 1500, "STEER": 3000, "DRIVE": 2000}
PINS = ("LOOP", *PARTS)


def recorded(loops=200, pause=20, seed=4, toggled=False, without=()):
    """Changes (time [us], pin, level) of simulated loops, and their periods [ms] and parts."""
    rng = np.random.default_rng(seed)
    at, level, changes, begins = 1200, 0, [], []
    took = {name: [] for name in PARTS}
    for _ in range(loops):
        begins.append(at)
        level = 1 - level if toggled else 1
        changes.append((at, "LOOP", level))
        at += 3
        for name, usual in PARTS.items():
            length = int(rng.normal(usual, usual / 20))
            took[name].append(length / 1000)
            changes += [(at, name, 1), (at + length, name, 0)]
            at += length + 11
        at += int(rng.integers(200, 500))
        if not toggled:
            changes.append((at, "LOOP", 0))
        at += pause + int(rng.integers(0, pause))
    changes = [change for change in changes if change[1] not in without]
    return changes, np.diff(begins) / 1000, {k: v for k, v in took.items() if k not in without}


def by_pin(changes, header="Time[s],Channel,Level", words=("0", "1"), low=()):
    """A row for each change; pins of `low` are on while they are low."""
    rows = [f"{at / 1e6:.6f},{pin},{words[level ^ (pin in low)]}" for at, pin, level in changes]
    return "\n".join([header, *rows])


def of_all(changes, pins=PINS, each_us=None, low=(), header="t_us"):
    """A row with all levels at each change, or at each step."""
    level = {pin: int(pin in low) for pin in pins}
    states = [(0, tuple(level.values()))]
    for at, pin, value in changes:
        if pin in level:
            level[pin] = value ^ (pin in low)
            states.append((at, tuple(level.values())))
    if each_us is not None:
        times = [at for at, _ in states]
        steps = range(0, times[-1] + each_us, each_us)
        states = [(at, states[bisect_right(times, at) - 1][1]) for at in steps]
    rows = [f"{at}," + ",".join(map(str, levels)) for at, levels in states]
    return "\n".join([f"{header},{','.join(pins)}", *rows])


def is_told(run, periods, took, within=1e-3):
    """Periods and parts are those simulated, but for the last loop."""
    assert len(run) == pytest.approx(len(periods), abs=1)
    assert np.median(periods_ms(run)) == pytest.approx(np.median(periods), abs=within)
    known = self_ms(run)
    for name, ms in took.items():
        assert np.mean(known[name]) == pytest.approx(np.mean(ms), abs=0.02 + within)


@pytest.mark.parametrize(
    ("header", "words"),
    [("Time[s],Channel,Level", ("0", "1")), ("Time[s],Channel,Edge", ("falling", "rising")),
     ("Time[s],Pin,State", ("low", "high")), ("time_s,signal,value", ("False", "True")),
     ("time_s,name,val", ("L", "H")), ("Time (s),Channel,Voltage", ("0.0", "3.3")),
     ("time [s],Channel,Value", ("0.0", "1.0"))],
)  # fmt: skip
def test_a_level_is_told_by_its_values_under_any_header(tmp_path, header, words):
    """Each pin takes turns between two words."""
    changes, periods, took = recorded()
    run = read(tmp_path, by_pin(changes, header, words))
    assert periods_ms(run) == pytest.approx(list(periods), abs=1e-6)
    is_told(run, periods, took)


@pytest.mark.parametrize(
    "form",
    ["t={ms:.3f}ms pin={pin} {word}", "[{ms:.3f} ms] {pin}: {word}", "{pin} {word} @ {us} us",
     '{{"t_us": {us}, "pin": "{pin}", "level": {level}}}', "{us} us {pin}={level}"],
)  # fmt: skip
def test_lines_of_text_tell_levels_too(tmp_path, form):
    """A word alone that says high or low is heard."""
    changes, periods, took = recorded()
    text = [form.format(us=at, ms=at / 1000, pin=pin, level=level, word=("LOW", "HIGH")[level])
            for at, pin, level in changes]  # fmt: skip
    is_told(read(tmp_path, "\n".join(text), "pins.log"), periods, took)


@pytest.mark.parametrize(
    "form", ["{us} us: LOOP is {word}", '{{"t_us": {us}, "pin": "LOOP", "level": {level}}}']
)
def test_lines_of_one_pin_name_it(tmp_path, form):
    """It is the word before its level that is no mere link."""
    changes, periods, _ = recorded(without=PARTS)
    text = [form.format(us=at, level=level, word=("LOW", "HIGH")[level])
            for at, _, level in changes]  # fmt: skip
    is_told(read(tmp_path, "\n".join(text), "pins.log"), periods, {})


@pytest.mark.parametrize("low", [("GYRO",), ("STEER", "DRIVE"), ("LOOP", "GYRO"), PINS])
@pytest.mark.parametrize("form", [by_pin, of_all])
def test_a_pin_that_is_on_while_it_is_low_is_told_by_the_loops(tmp_path, form, low):
    """Its other level reaches into the next loop."""
    changes, periods, took = recorded(pause=900)
    run = read(tmp_path, form(changes, low=low))
    is_told(run, periods, took)
    assert any("while it is low" in note for note in run.clock.notes)


@pytest.mark.parametrize("low", [(), ("STEER", "DRIVE"), tuple(PARTS)])
def test_without_a_pin_of_the_loop_calls_that_cut_across_none_tell_the_sense(tmp_path, low):
    """The period is that of any of them."""
    changes, periods, took = recorded(without=("LOOP",))
    is_told(read(tmp_path, by_pin(changes, low=low)), periods, took)


@pytest.mark.parametrize(
    "names", [("Channel", "0", "1", "2", "3"), ("Pin", "D4", "D5", "D6", "D7")]
)
def test_pins_may_be_numbered(tmp_path, names):
    """The one around the others is the loop's."""
    head, *codes = names
    code = dict(zip(PINS, codes, strict=True))
    changes, periods, _ = recorded()
    text = by_pin([(at, code[pin], level) for at, pin, level in changes], f"Time[s],{head},Level")
    run = read(tmp_path, text)
    assert periods_ms(run) == pytest.approx(list(periods), abs=1e-6)


@pytest.mark.parametrize("pins", [PINS, ("LOOP", "DRIVE"), ("LOOP",)])
def test_levels_of_all_pins_at_each_change(tmp_path, pins):
    """Of one pin alone a loop lasts from rise to rise, not from change to change."""
    changes, periods, took = recorded()
    run = read(tmp_path, of_all(changes, pins))
    is_told(run, periods, {name: ms for name, ms in took.items() if name in pins})


@pytest.mark.parametrize("low", [(), PINS])
@pytest.mark.parametrize("beside", ["", ",battery_v"])
def test_pins_sampled_at_even_steps(tmp_path, low, beside):
    """Lengths hold in the mean; each is known to a sample, which is said."""
    changes, periods, took = recorded(pause=700)
    head, *rows = of_all(changes, each_us=100, low=low).splitlines()
    text = [head + beside, *(row + (",12.4" if k % 7 else ",12.3") * bool(beside)
                             for k, row in enumerate(rows))]  # fmt: skip
    run = read(tmp_path, "\n".join(text))
    is_told(run, periods, took, within=0.1)
    assert np.mean(periods_ms(run)) == pytest.approx(periods.mean(), abs=0.002)
    assert any("sampled each 100 us" in note for note in run.clock.notes)


def test_samples_that_miss_the_pause_are_refused(tmp_path):
    """A pause of 20 to 40 us falls between samples 100 us apart: loops would be seen as one."""
    changes, _, _ = recorded()
    with pytest.raises(LogError, match="too far apart"):
        read(tmp_path, of_all(changes, each_us=100))


@pytest.mark.parametrize("form", [by_pin, of_all])
def test_a_pin_that_is_written_inverted_once_a_loop(tmp_path, form):
    """What is done once in each of its levels tells that each change begins a loop."""
    changes, periods, took = recorded(toggled=True)
    run = read(tmp_path, form(changes))
    is_told(run, periods, took, within=0.02)
    assert any("inverted once a loop" in note for note in run.clock.notes)


def test_of_such_a_pin_alone_both_readings_are_said(tmp_path):
    """Rows are loops where it is high as long as low."""
    changes, periods, _ = recorded(toggled=True)
    for text in (of_all(changes, ("LOOP",)), by_pin([c for c in changes if c[1] == "LOOP"])):
        run = read(tmp_path, text)
        assert np.median(periods_ms(run)) == pytest.approx(np.median(periods), abs=0.02)
        assert any("a loop is twice as long" in note for note in run.clock.notes)


def test_what_is_at_one_level_for_many_loops_is_no_call(tmp_path):
    """A switch that the driver turns belongs to no loop."""
    changes, periods, took = recorded()
    switch = [(30_001, "ENABLED", 1), (500_001, "ENABLED", 0), (700_001, "ENABLED", 1)]
    run = read(tmp_path, by_pin(sorted(changes + switch)))
    is_told(run, periods, took)
    assert "ENABLED" not in self_ms(run)
    assert any("'ENABLED' is left out" in note for note in run.clock.notes)


def test_rises_alone_are_marks(tmp_path):
    """Each takes the time up to the next."""
    changes, periods, _ = recorded()
    rows = [f"{at / 1e6:.6f},{pin},rising" for at, pin, level in changes if level]
    run = read(tmp_path, "\n".join(["Time[s],Channel,Edge", *rows]))
    assert periods_ms(run) == pytest.approx(list(periods), abs=1e-6)


@pytest.mark.parametrize(
    "head",
    ["time_ms,auto,target", "time_ms,watchdog,target", "time_ms,watchdog,new_image",
     "time_ms,loop_late"],
)  # fmt: skip
@pytest.mark.parametrize("even", [True, False])
def test_flags_of_a_row_a_loop_stay_flags(tmp_path, head, even):
    """Be they set for long, now and then, or written inverted at each loop."""
    rng = np.random.default_rng(8)
    at = 20 * np.arange(400) + (0 if even else rng.uniform(0, 1, 400).round(3))
    flag = {"auto": np.arange(400) > 150, "target": rng.random(400) < 0.3,
            "watchdog": np.arange(400) % 2, "new_image": (np.arange(400) + 1) % 2,
            "loop_late": np.arange(400) % 5 == 0}  # fmt: skip
    names = head.split(",")[1:]
    rows = [f"{at[k]:.3f}," + ",".join(str(int(flag[n][k])) for n in names) for k in range(400)]
    run = read(tmp_path, "\n".join([head, *rows]))
    assert periods_ms(run) == pytest.approx(np.diff(at).tolist(), abs=1e-5)


def test_lengths_of_no_or_one_millisecond_stay_lengths(tmp_path):
    """A header that names a unit is heard."""
    rng = np.random.default_rng(5)
    rows = [f"{2 * k},{a},{b}" for k, (a, b) in enumerate(rng.integers(0, 2, (300, 2)).tolist())]
    run = read(tmp_path, "\n".join(["time_ms,imu_ms,wheels_ms", *rows]))
    assert len(run) == 299
    assert {"imu", "wheels"} <= set(self_ms(run))


@pytest.mark.parametrize("form", [by_pin, of_all])
def test_flags_recorded_when_they_change_tell_no_loop(tmp_path, form):
    """They come in no order: neither rows nor any of them is a loop."""
    rng = np.random.default_rng(6)
    names, level, at, changes = ("enabled", "target", "at_bench"), {}, 0, []
    for _ in range(300):
        at += int(rng.exponential(200_000)) + 1
        pin = names[rng.integers(3)]
        level[pin] = 1 - level.get(pin, 0)
        changes.append((at, pin, level[pin]))
    text = form(changes) if form is by_pin else form(changes, names)
    with pytest.raises(LogError, match="none tells where a loop begins"):
        read(tmp_path, text)


def test_one_sampled_pin_of_another_name_tells_no_loop(tmp_path):
    """It may be a switch; rows 0.1 ms apart are no loops either."""
    changes, _, _ = recorded()
    path = tmp_path / "one.csv"
    path.write_text(of_all(changes, ("GYRO",), each_us=100))
    with pytest.raises(LogError, match="none tells where a loop begins"):
        looptime.read(path)
    assert len(looptime.read(path, layout="stamps")) > 10_000


@pytest.mark.parametrize("name", ["closed_loop", "duty_cycle", "hold loop", "in_loop", "new_cycle"])
def test_a_state_of_a_loop_is_no_pin_of_it(tmp_path, name):
    """A row each 2 ms with a mode that changes at times is a loop, as beside any other flag."""
    rng = np.random.default_rng(11)
    at = np.cumsum(rng.normal(2, 0.02, 3000)).round(3)
    rows = [f"{t:.3f},{int(k % 120 < 70)},{v:.2f}"
            for k, (t, v) in enumerate(zip(at, rng.normal(0, 5, 3000), strict=True))]  # fmt: skip
    run = read(tmp_path, "\n".join([f"time_ms,{name},steer_deg", *rows]))
    assert periods_ms(run) == pytest.approx(np.diff(at).tolist(), abs=1e-5)


def flagged(step_ms, names, beside=False, rows=4000):
    """Rows at nearly even steps with flags in turns: each is set for a part of 60 rows."""
    rng = np.random.default_rng(12)
    at = np.cumsum(rng.normal(step_ms, step_ms / 100, rows)).round(4)
    part = 60 // len(names)
    text = [
        f"{t:.4f}," + ",".join(str(int(k % 60 // part == n and k % part < part - 4))
                               for n in range(len(names))) + f",{rng.normal():.2f}" * beside
        for k, t in enumerate(at)
    ]  # fmt: skip
    return "\n".join([",".join(["time_ms", *names, *["current_a"] * beside]), *text]), np.diff(at)


@pytest.mark.parametrize(
    ("names", "beside"),
    [(("fill", "drain"), False), (("line1", "line2"), False), (("di1",), False),
     (("loop_running",), False), (("loop",), True), (("loop", "drain"), True)],
)  # fmt: skip
@pytest.mark.parametrize("step_ms", [0.5, 1, 2])
def test_rows_that_may_be_loops_or_samples_are_refused(tmp_path, names, beside, step_ms):
    """Both readings and the way to each are named, and the ways lead there."""
    text, steps = flagged(step_ms, names, beside)
    path = tmp_path / "log.csv"
    path.write_text(text)
    with pytest.raises(LogError, match=f"row is a loop of {step_ms:g} ms.* {60 * step_ms:g} ms"):
        looptime.read(path)
    run = looptime.read(path, layout="stamps")
    assert periods_ms(run) == pytest.approx(steps.tolist(), abs=1e-4)
    sampled, _ = flagged(step_ms, ("loop", *names[1:]))
    run = read(tmp_path, sampled)
    assert np.median(periods_ms(run)) == pytest.approx(60 * step_ms, rel=0.01)


@pytest.mark.parametrize("name", ["LOOP", "pin_loop", "D3 loop", "main_loop", "control loop"])
def test_a_pin_called_the_loops_is_sampled_each_millisecond(tmp_path, name):
    """Nothing else is in its rows."""
    run = read(tmp_path, flagged(1, (name, "GYRO"))[0])
    assert np.median(periods_ms(run)) == pytest.approx(60, rel=0.01)


@pytest.mark.parametrize("names", [("fault",), ("fault", "limit")])
def test_flags_of_fast_rows_name_both_readings(tmp_path, names):
    """Rows each 0.25 ms may be samples or loops."""
    rng = np.random.default_rng(13)
    flags = rng.random((4000, len(names))) < 0.1
    rows = [f"{250 * k}," + ",".join(map(str, row.astype(int))) for k, row in enumerate(flags)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["t_us," + ",".join(names), *rows]))
    with pytest.raises(LogError, match=r"sampled each 250 us.* or each row is a loop.*--layout"):
        looptime.read(path)
    assert len(looptime.read(path, layout="stamps")) == 3999


@pytest.mark.parametrize("name", ["loop", "D3"])
@pytest.mark.parametrize("lengths", [(18, 26), (10, 45)])
def test_a_pin_alone_that_is_high_for_other_than_low_fits_two_ways(tmp_path, name, lengths):
    """Loops that take turns in length, with a pin inverted in each, or work and a wait."""
    rng = np.random.default_rng(14)
    at = np.cumsum(rng.normal(np.tile(lengths, 200), 0.3)).round(3)
    path = tmp_path / "log.csv"
    path.write_text("\n".join([f"time_ms,{name}", *(f"{t},{k % 2}" for k, t in enumerate(at))]))
    with pytest.raises(LogError, match=r"fits two ways.*inverted once a loop.*a loop takes"):
        looptime.read(path)
    run = looptime.read(path, layout="stamps")
    assert periods_ms(run) == pytest.approx(np.diff(at).tolist(), abs=1e-4)
    rows = [f"{t},{name},{k % 2}" for k, t in enumerate(at)]
    run = read(tmp_path, "\n".join(["time_ms,pin,level", *rows]))
    assert np.median(periods_ms(run)) == pytest.approx(sum(lengths), rel=0.01)


@pytest.mark.parametrize("names", [("auto",), ("auto", "enabled"), ("auto", "enabled", "limit")])
def test_long_logs_with_flags_are_told_by_parts_of_them(tmp_path, monkeypatch, names):
    """Not all of their rows are looked at for pins."""
    rng = np.random.default_rng(15)
    rows, seen = 5000, []
    at = np.cumsum(rng.integers(9600, 10400, rows))
    flag = {"auto": np.arange(rows) % 2, "enabled": np.arange(rows) % 900 > 300,
            "limit": rng.random(rows) < 0.1}  # fmt: skip
    text = [f"{at[k]}," + ",".join(str(int(flag[name][k])) for name in names) for k in range(rows)]
    known = pins.read_levels
    monkeypatch.setattr(pins, "read_levels", lambda lines, like: seen.append(len(lines))
                        or known(lines, like))  # fmt: skip
    run = read(tmp_path, "\n".join(["t_us," + ",".join(names), *text]))
    assert periods_ms(run) == pytest.approx((np.diff(at) / 1000).tolist(), abs=1e-5)
    assert seen
    assert max(seen) < rows / 5
