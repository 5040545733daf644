"""Long tables that are sorted by their names, as a spreadsheet or a script writes them."""

import pytest

import looptime
from tests.parsers.build import balance, periods_ms, read, self_ms

LOOPS = 300
VALUES = {
    "imu_read": [1.2 + 0.01 * (k * 7 % 11) for k in range(LOOPS)],
    "camera": [5.0 + k * 3 % 5 for k in range(LOOPS)],
    "loop_time": [9.5 + k * 3 % 5 for k in range(LOOPS)],
}


@pytest.mark.parametrize(
    ("head", "row"),
    [
        ("loop,name,value_ms", "{k},{name},{value:.2f}"),
        ("variable;cycle;value;unit", "{name};{k};{value:.2f};ms"),
        ("loop,metric,value", "{k},{name}_ms,{value:.2f}"),
    ],
)
def test_all_values_of_a_name_one_after_another_are_those_of_its_loops(tmp_path, head, row):
    """Three names, of which one is the whole loop; and a heading that is no time."""
    rows = [row.format(k=k, name=name, value=values[k])
            for name, values in VALUES.items() for k in range(LOOPS)]  # fmt: skip
    run = read(tmp_path, "\n".join([head, *rows]) + "\n")
    assert periods_ms(run) == VALUES["loop_time"]
    found = self_ms(run)
    assert found["imu_read"] == pytest.approx(VALUES["imu_read"])
    assert found["camera"] == VALUES["camera"]


def test_a_heading_beside_names_with_units(tmp_path):
    """Names with units of time are lengths, and others are not."""
    rows = [f"{k},imu_ms,{VALUES['imu_read'][k]:.2f}" for k in range(LOOPS)]
    rows += [f"{k},total_ms,{VALUES['loop_time'][k]:.2f}" for k in range(LOOPS)]
    rows += [f"{k},heading_deg,{k % 7 * 0.5:.1f}" for k in range(LOOPS)]
    run = read(tmp_path, "\n".join(["loop,variable,value", *rows]) + "\n")
    assert periods_ms(run) == VALUES["loop_time"]
    assert set(self_ms(run)) == {"imu"}


def test_runs_that_have_names_stay_runs(tmp_path):
    """Two runs of unlike length, each with its own name, are not parts of one loop."""
    path = tmp_path / "runs.csv"
    rows = [f"{k},{run},{VALUES['camera'][k] + more * (k % 13):.2f}"
            for run, last, more in (("before", LOOPS, 0.1), ("after", 200, 0.2))
            for k in range(last)]  # fmt: skip
    path.write_text("\n".join(["loop,run,dt_ms", *rows]) + "\n")
    log = looptime.read_log(path)
    assert [len(run) for run in log.runs] == [LOOPS, 200]
    for run in log.runs:
        balance(run)
