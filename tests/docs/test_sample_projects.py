"""The project files beside the sample logs."""

from dataclasses import asdict

import looptime
from looptime.project import Project
from looptime.samples import folder


def test_the_moved_gyro_is_all_that_differs():
    """The second project file states the first one's robot with its gyro on the other bus."""
    usual, moved = (asdict(Project.load(folder() / name))
                    for name in ("looptime.toml", "gyro_on_aux.toml"))  # fmt: skip
    usual.pop("path"), moved.pop("path")
    (gyro,) = [rule for rule in usual["calls"] if rule["match"] == "gyro.read"]
    assert gyro["bus"] == "port"
    gyro["bus"] = "aux"
    assert usual == moved


def test_each_log_of_one_thread_on_its_own_bus_is_read_as_such():
    """The thread's transactions count on `aux` and leave `port` to the loop."""
    run = looptime.read(
        folder() / "gyro_thread_own_bus.csv.gz",
        project=Project.load(folder() / "gyro_on_aux.toml"),
    )
    found = {b.bus: b for b in looptime.summarise(run).buses.buses}
    assert found["port"].other_transactions_per_loop == 0
    assert found["aux"].transactions_per_loop == 0
    assert found["aux"].other_transactions_per_loop > 5
