"""Lines of pairs whose values are names with marks and numbers in them."""

from pathlib import Path

import numpy as np
import pytest

import looptime
from tests.parsers.build import self_ms

#: Calls as programs of several languages name them.
NAMES = (
    ("imu::poll", "wheels::set"), ("imu#1", "imu#2"), ("CAN-1", "i2c"), ("imu@left", "lift"),
    ("read()", "set(3)"), ("imu->read", "drive->set"), ("enc[0]", "enc[1]"), ("2nd imu", "scan"),
)  # fmt: skip
FORMS = (
    "t_us={t} call={name} dur_us={d} loop={k}", "begin_us={t}, end_us={end}, name={name}",
    "name={name} start={ms:.3f}ms took={d}us",
)  # fmt: skip


@pytest.mark.parametrize("names", NAMES)
@pytest.mark.parametrize("form", FORMS)
def test_a_name_with_marks_is_one_value(tmp_path: Path, names: tuple[str, str], form: str) -> None:
    rng = np.random.default_rng(2)
    lines, now, took = [], 1000, {name: [] for name in names}
    for k in range(300):
        for at, name in enumerate(names):
            d = int(rng.integers(900, 1100)) * (1 + at)
            said = f'"{name}"' if " " in name else name
            lines.append(form.format(k=k, t=now, ms=now / 1e3, end=now + d, name=said, d=d))
            took[name].append(d / 1e3)
            now += d + 30
    log = tmp_path / "run.log"
    log.write_text("\n".join(lines) + "\n")
    run = looptime.read_log(log).runs[0]
    own = self_ms(run)
    assert {name: len(own[name]) for name in names} == dict.fromkeys(names, 299)
    for name in names:
        np.testing.assert_allclose(own[name], took[name][:299], atol=1e-6)


def test_remarks_of_several_words_and_none(tmp_path: Path) -> None:
    """An empty value is none, and does not take the next key for its own."""
    lines = [f"t_us={20_000 * k + k % 3} gyro_us={900 + k % 7} remark="
             + ("tray slipped, put back" if k == 70 else "") + f" out_us={2000 + k % 5}"
             for k in range(200)]  # fmt: skip
    log = tmp_path / "run.log"
    log.write_text("\n".join(lines).replace("slipped, put", "slipped and put") + "\n")
    own = self_ms(looptime.read_log(log).runs[0])
    assert own["out"] == [(2000 + k % 5) / 1e3 for k in range(199)]
    assert own["gyro"] == [(900 + k % 7) / 1e3 for k in range(199)]


def test_lengths_in_the_unit_behind_each(tmp_path: Path) -> None:
    """A length in us and the next in ms are of one column."""
    took = [900 + 13 * (k % 70) for k in range(200)]
    lines = [f"call=imu::read at={3 * k}ms took=" + (f"{t}us" if t < 1000 else f"{t / 1000}ms")
             for k, t in enumerate(took)]  # fmt: skip
    log = tmp_path / "run.log"
    log.write_text("\n".join(lines) + "\n")
    run = looptime.read_log(log).runs[0]
    assert run.call_columns.duration_ns.tolist()[:190] == [1000 * t for t in took[:190]]
