"""A log to report on, and a name that would like to be a script."""

from looptime.findings import summarise
from looptime.parsers.read import Log
from looptime.views.files.report import ReportLog
from tests.build_run import make_run

EVIL = "</script><script>document.title='taken'</script>"


def report_log(name: str = "gyro.read") -> ReportLog:
    """A log with one slow loop in 20."""
    run = make_run(
        [30.0 if k % 20 == 19 else 10.0 for k in range(100)],
        lambda k: [(name, 1, 24 if k % 20 == 19 else 4)], {name: "sensor read"}, source="a.csv",
    )  # fmt: skip
    return ReportLog(Log("a.csv", (run,)), (summarise(run, budget_ms=25.0),))
