"""Columns that make up another one: the parts of a whole, and what a loop is off its target by."""

import numpy as np
import pytest

from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.columns.role import Seen
from looptime.parsers.columns.roles import judge
from tests.parsers.build import read, self_ms

ROWS, MS = 400, 1_000_000


def lengths(seed=4):
    """Three parts of a loop [ms], printed in us; the second is shorter from the middle on."""
    draw = np.random.default_rng(seed)
    usual = {"gyro": 1.6, "steer": 3.1, "arm": 6.0}
    made = {name: ms + 0.05 * ms * draw.normal(size=ROWS) for name, ms in usual.items()}
    made["steer"][ROWS // 2 :] -= 1.2
    return {name: np.round(one, 3) for name, one in made.items()}


def clock_of(period):
    """A clock [ns] whose rows are stamped at the start of loops so long [ms]."""
    return np.round((np.cumsum(period) - period) * MS)


def roles(period, **columns):
    """What columns are taken for, by name; those in `timed` have ms in their headers."""
    seen = [Seen(kind, np.asarray(values, float), MS if kind in ("duration", "period") else None,
                 (name,), name) for name, (kind, values) in columns.items()]  # fmt: skip
    found = judge(seen, clock_of(period))
    return {one.name: role.taken_as for one, role in zip(seen, found.roles, strict=True)}


@pytest.mark.parametrize("named", ["signal", "bare"])
def test_what_adds_up_to_a_whole_is_its_parts(named):
    """A paced loop says nothing of its parts, the work in it does, whatever their names suggest."""
    made = lengths()
    columns = {"gyro": ("bare", made["gyro"]), "steer": (named, made["steer"]),
               "arm": (named, made["arm"]), "work": ("busy", sum(made.values()) + 0.2)}  # fmt: skip
    paced = np.full(ROWS, 25.0) + np.resize([0.01, -0.01, 0.02], ROWS)
    assert roles(paced, **columns) == {"gyro": "part", "steer": "part", "arm": "part",
                                       "work": "whole"}  # fmt: skip


def test_a_signal_that_happens_to_go_with_a_part_is_none():
    """A speed of 0.4 for each ms of the arm's, and a voltage that sags with it."""
    made = lengths()
    columns = {name: ("duration", made[name]) for name in ("gyro", "steer")}
    columns |= {"arm_speed": ("signal", np.round(0.4 * made["arm"], 3)),
                "volts": ("signal", np.round(12 - 0.1 * made["arm"], 3)),
                "work": ("busy", np.round(sum(made.values()) + 0.2, 3))}  # fmt: skip
    found = roles(np.full(ROWS, 25.0) + np.resize([0.01, -0.01, 0.02], ROWS), **columns)
    assert found == {"gyro": "part", "steer": "part", "arm_speed": "signal", "volts": "signal",
                     "work": "whole"}  # fmt: skip


def test_currents_that_add_up_are_no_lengths():
    """Nothing of them says that it is a time."""
    made = lengths()
    columns = {name: ("signal", one) for name, one in made.items()}
    found = roles(np.full(ROWS, 25.0) + np.resize([0.01, -0.01, 0.02], ROWS),
                  **columns, all=("whole", sum(made.values())))  # fmt: skip
    assert {found[name] for name in made} == {"signal"}


@pytest.mark.parametrize("size", [False, True])
@pytest.mark.parametrize("logged", [False, True])
def test_the_length_of_a_loop_less_a_constant_is_a_deviation(logged, size):
    """Of the period that is logged, or of the clock's steps; its size where loops are shorter."""
    made = lengths()
    draw = np.random.default_rng(5)
    period = np.round(sum(made.values()) + 0.8 + 0.3 * draw.random(ROWS), 3)
    target = float(np.round(np.median(period), 3)) if size else 9.0
    columns = {name: ("duration", one) for name, one in made.items()}
    columns |= {"ueber": ("duration", np.abs(period - target))}
    columns |= {"takt": ("period", period)} if logged else {}
    assert roles(period, **columns)["ueber"] == "deviation"


def test_a_part_beside_a_fixed_rest_is_none():
    """Alone, or beside what lies in it, or beside what hardly varies: it may be the loop's work."""
    made = lengths()
    work = sum(made.values())
    period = work + 5
    assert roles(period, body=("duration", work), dt=("period", period))["body"] != "deviation"
    inner = {name: ("duration", one) for name, one in made.items()}
    found = roles(period, **inner, body=("duration", work), dt=("period", period))
    assert found["body"] != "deviation"
    even = np.resize([2.0, 2.001], ROWS)
    found = roles(made["arm"] + 6, imu=("duration", even), arm=("duration", made["arm"]),
                  dt=("period", made["arm"] + 6))  # fmt: skip
    assert found["arm"] == "part"


@pytest.mark.parametrize(
    "header",
    ["desviacion_ms", "desviaci\N{LATIN SMALL LETTER O WITH ACUTE}n [ms]", "Abweichung (ms)",
     "\N{LATIN SMALL LETTER E WITH ACUTE}cart_ms", "scostamento_ms", "desvio_ms", "ecart ms"],
)  # fmt: skip
def test_words_for_it_in_other_languages(header):
    """With and without accents."""
    assert meaning(header) == "deviation"


def test_no_time_is_lost_to_it(tmp_path):
    """The parts beside it keep theirs: 2 of 11 ms and 7 of 11 ms, 1.5 more in each third loop."""
    rows, at = "", 0.0
    for k in range(120):
        long = 7 + 1.5 * (k % 3 == 0) + k % 7 / 100
        period = 2 + k % 5 / 100 + long + 2
        rows += f"{at:.4f}\t{2 + k % 5 / 100:.3f}\t{long:.3f}\t{period:.3f}\t{period - 10:.3f}\n"
        at += period / 1e3
    run = read(tmp_path, "tiempo_s\tgiro_ms\truedas_ms\tciclo_ms\texceso_ms\n" + rows)
    own = self_ms(run)
    assert set(own) == {"giro", "ruedas"}
    assert own["ruedas"][:3] == pytest.approx([8.5, 7.01, 7.02])


@pytest.mark.parametrize(
    "line",
    [
        "Runde {k} : {all:.1f} ms (Kreisel {gyro:.1f}, Lenkung {steer:.1f}, Arm {arm:.1f})",
        "Runde {k}: {all:.1f}ms [Kreisel: {gyro:.1f}; Lenkung: {steer:.1f}; Arm: {arm:.1f}]",
        "Tour {k} = {all:.1f} ms (Kreisel={gyro:.1f} Lenkung={steer:.1f} Arm={arm:.1f})",
        "Tour {k} ({all:.1f} ms): Kreisel {gyro:.1f}, Lenkung {steer:.1f}, Arm {arm:.1f}",
        "loop {k}: {all:.1f}ms = Kreisel {gyro:.1f} + Lenkung {steer:.1f} + Arm {arm:.1f}",
        "loop {k}: {all:.1f} ms=Kreisel {gyro:.1f}+Lenkung {steer:.1f}+Arm {arm:.1f}",
        "loop {k}: {all:.1f}ms = {gyro:.1f} Kreisel + {steer:.1f} Lenkung + {arm:.1f} Arm",
        "[{t:.4f}] Tour {k}: {all:.1f} ms (Kreisel {gyro:.1f}, Lenkung {steer:.1f}, Arm {arm:.1f})",
    ],
)
def test_a_whole_alone_with_its_unit_lends_it_to_what_makes_it_up(tmp_path, line):
    """Whatever a loop is called there: 0.3 ms of it, give or take, are of no part."""
    made = lengths()
    every = sum(made.values()) + 0.3 + np.random.default_rng(6).uniform(-0.1, 0.1, ROWS)
    each = [{name: one[k] for name, one in made.items()} for k in range(ROWS)]
    rows = [line.format(k=k, t=k * 0.0201, all=every[k], **each[k]) for k in range(ROWS)]
    run = read(tmp_path, "up\n" + "\n".join(rows) + "\n")
    names = {"gyro": "Kreisel", "steer": "Lenkung", "arm": "Arm"}
    assert self_ms(run).keys() == set(names.values())
    for name, called in names.items():
        assert np.mean(self_ms(run)[called]) == pytest.approx(made[name].mean(), abs=0.01)


def test_readings_behind_a_whole_are_no_parts(tmp_path):
    """A slope of the floor and a pressure beside the work, which they do not make up."""
    made, draw = lengths(), np.random.default_rng(2)
    work = sum(made.values())
    line = "Runde {}: {:.1f} ms (Lux {:.1f}, Bar {:.1f})"
    rows = [line.format(k, work[k], *draw.normal([3, 5])) for k in range(ROWS)]
    run = read(tmp_path, "\n".join(rows) + "\n")
    assert self_ms(run).keys() == {"Runde time"}
