"""Controllers that a log's signals speak of, told apart in rows of one value each."""

import numpy as np
import pytest

from looptime import read
from looptime.controlling import control
from looptime.controlling.logged_controllers import logged_controllers
from looptime.errors import UsageError


@pytest.fixture
def log(tmp_path):
    """Speeds: one of 3 and 80 ms every 20 ms, one of 5 and 400 ms every 100 ms, at rest first."""
    rng, rows = np.random.default_rng(1), []
    for name, step, full, tau in (("drive", 0.02, 3.0, 0.08), ("mast", 0.1, 5.0, 0.4)):
        speed = output = 0.0
        for k in range(int(40 / step)):
            at = k * step
            if at > 3 and k % 12 == 0:
                output = float(rng.uniform(-1, 1))
            for word, late, value in (("goal", 0, output), ("speed", 0.1, speed),
                                      ("output", 0.2, output)):  # fmt: skip
                rows.append((1e3 * at + late + (0.3 if name == "mast" else 0), f"{name}.{word}",
                             value))  # fmt: skip
            speed += (full * output - speed) * -np.expm1(-step / tau)
    path = tmp_path / "log.csv"
    path.write_text("time_ms,name,value\n" + "".join(f"{t:.3f},{n},{v:.6f}\n"
                                                     for t, n, v in sorted(rows)))  # fmt: skip
    return path


def test_rows_of_several_controllers_are_values(log):
    """Each controller is told with its signals and its pace, though all values are 0 at first."""
    found = logged_controllers(read(log, cache=False))
    assert {(c.name, c.output, c.measured) for c in found} == {
        ("drive", "drive.output", "drive.speed"), ("mast", "mast.output", "mast.speed"),
    }  # fmt: skip
    paces = {c.name: c.every_ms for c in found}
    assert paces["drive"] == pytest.approx(20.0, abs=0.5)
    assert paces["mast"] == pytest.approx(100.0, abs=0.5)


@pytest.mark.parametrize(("name", "full", "tau_ms", "step_ms"),
                         [("drive", 3.0, 80.0, 20.0), ("mast", 5.0, 400.0, 100.0)])  # fmt: skip
def test_each_is_fitted_and_looked_at_in_its_own_pace(log, name, full, tau_ms, step_ms):
    """The slower one's steps are its own and not those of the loop that ran in between."""
    found = control(read(log, cache=False), fit=(f"{name}.output", f"{name}.speed"), curve=False)
    (one,) = found.controllers
    assert one.fit.full_speed.value == pytest.approx(full, rel=0.02)
    assert one.fit.time_constant_ms.value == pytest.approx(tau_ms, rel=0.05)
    assert one.effective.steps_ms["p50"] == pytest.approx(step_ms, rel=0.02)


def test_a_refusal_names_the_controllers_of_the_log(log):
    """What can be asked of this log is said, with the signals to give."""
    with pytest.raises(UsageError, match=r"mast every 100 ms \(--fit mast\.output,mast\.speed\)"):
        control(read(log, cache=False))
