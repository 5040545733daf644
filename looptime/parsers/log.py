"""A log file and the runs that it holds."""

from collections import Counter

from looptime.records import dataclass
from looptime.run import Run

__all__ = ["HELD_BY", "Log"]

#: What stands between the paths of logs that are threads of one run.
HELD_BY = "+"


@dataclass(frozen=True)
class Log:
    """A log file and the runs in it.

    Parameters
    ----------
    path : str
        The file.
    runs : tuple of Run
        In the order of the file; more than one where the clock began anew.
    """

    path: str
    runs: tuple[Run, ...]

    @property
    def rows_read(self) -> int:
        """Rows in the file, used or not."""
        return sum(run.rows_read for run in self.runs)

    @property
    def rows_used(self) -> int:
        """Rows that are in the runs."""
        return sum(run.rows_used for run in self.runs)

    @property
    def rows_by_reason(self) -> dict[str, int]:
        """Rows that were set aside, counted by the reason."""
        total: Counter[str] = Counter()
        for run in self.runs:
            total.update(run.set_aside.counts)
        return dict(total)
