"""A small run whose figures can be counted by hand."""

from looptime.analysers.summary import Summary, summarise
from tests.build_run import make_run


def summary(slow: bool = True, loops: int = 120) -> Summary:
    """Loops of 10 ms: a read of 4 ms, a compute of 2; every 30th has a read of 24 ms."""

    def calls(k: int) -> list[tuple]:
        longer = 20 if slow and k % 30 == 29 else 0
        return [("gyro.read", 1, 4 + longer), ("plan.update", 6 + longer, 2),
                ("gyro.poll", 0, 5, "gyro")]  # fmt: skip

    periods = [30.0 if slow and k % 30 == 29 else 10.0 for k in range(loops)]
    names = {"gyro.read": "sensor read", "plan.update": "compute", "gyro.poll": "sensor read"}
    return summarise(make_run(periods, calls, names), budget_ms=25.0)
