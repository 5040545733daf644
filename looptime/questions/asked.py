"""What is asked with every question: the project, how logs are read, and which part counts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from looptime.errors import LogError, UsageError
from looptime.project import Project, find_project
from looptime.questions.doors import at_hand
from looptime.records import dataclass

if TYPE_CHECKING:
    from looptime.parsers.log import Log
    from looptime.run import Run

__all__ = ["Asked"]

#: What no robot's loop takes and no recording lasts [ns]: 100 s, three years.
_LONGEST_NS, _LONGEST_RUN_NS = 100e9, 1e17
_READING = ("unit", "layout", "columns", "loop_call", "by", "stamped", "rate_hz")


@dataclass(frozen=True)
class Asked:
    """How all questions of one front end are asked; can be sent to another process.

    Every question cuts the run it is given to the part that is asked for here. Whoever has cut it
    already asks with `whole`.

    Parameters
    ----------
    project : Project
        What ``looptime.toml`` says: labels, limits, and what else is not given here.
    unit, layout, columns, loop_call, by, stamped, rate_hz
        As in `looptime.parsers.read.read_log`.
    cache : bool
        Whether a large log's prepared copy may be used and written.
    phase, from_s, to_s
        As in `looptime.analysers.part.part`.
    where : tuple of str
        Conditions that must all hold, each as in `looptime.analysers.part.part`.
    budget_given_ms : float or None [ms]
        Period above which a loop overruns, where it is not the project's.
    keep_warmup : bool
        Leave the warm-up in the figures.
    season : str or None
        Folder of the season, where it is not beside the project file.

    Examples
    --------
    >>> Asked(Project(budget_ms=20)).budget_ms, Asked(budget_given_ms=25).budget_ms
    (20, 25)
    >>> Asked(phase="transport", where=("bench=2",)).part_text
    'phase=transport where=bench=2'
    """

    project: Project = field(default_factory=Project)
    unit: str | None = None
    layout: str | None = None
    columns: str | None = None
    loop_call: str | None = None
    by: str | None = None
    stamped: str | None = None
    rate_hz: float | None = None
    cache: bool = True
    phase: str | None = None
    from_s: float | None = None
    to_s: float | None = None
    where: tuple[str, ...] = ()
    budget_given_ms: float | None = None
    keep_warmup: bool = False
    season: str | None = None
    #: Names of the calls of the logs that were read so far.
    names_read: set[str] = field(default_factory=set, compare=False, repr=False)

    @property
    def budget_ms(self) -> float | None:
        """Period above which a loop overruns [ms]: as given, else the project's."""
        given = self.budget_given_ms
        return self.project.budget_ms if given is None else given

    @property
    def read_instant(self) -> str:
        """When during a sensor read the reading is taken: as the project says, else ``start``."""
        return self.project.heading.read_instant or "start"

    def but(self, **changed: Any) -> Asked:
        """The same, with some of it otherwise."""
        return replace(self, **changed)

    @property
    def whole(self) -> Asked:
        """The same of a whole run, or of one that has been cut already."""
        return replace(self, phase=None, from_s=None, to_s=None, where=())

    def read(self, path: str, progress: Callable[[float], None] | None = None) -> Log:
        """Read one log.

        Parameters
        ----------
        path : str
            A path, an address, ``-`` for the standard input, ``ZIP/LOG``, or ``LOG+LOG`` of logs
            that are threads of one run, the control loop's first.
        progress : callable, optional
            Is told the share that is done, 0 to 1.

        Raises
        ------
        LogError
            If the log cannot be read as it stands.
        """
        from looptime.analysers.set_clock import with_clock_undone
        from looptime.parsers.log import HELD_BY
        from looptime.parsers.read import read_log

        if HELD_BY in path and not Path(path).exists():
            from looptime.parsers.as_threads import as_threads, split_path

            if len(parts := split_path(path)) > 1:
                loop, *others = parts
                return as_threads([self.read(loop), *map(self._read_thread, others)])
        stated = self.reading
        with at_hand(path) as place:
            here = place == path  # of what is unpacked no prepared copy is kept
            try:
                log = read_log(
                    place, project=self.project, cache=self.cache and here, progress=progress,
                    **stated,
                )  # fmt: skip
            except LogError as error:
                if here:
                    raise
                raise LogError(error.what, path, error.line) from None
        runs = tuple(map(with_clock_undone, log.runs))
        self.names_read.update(call.name for run in runs for call in run.names)
        if here:
            return replace(log, runs=runs)
        return replace(log, path=path, runs=tuple(replace(r, source=path) for r in runs))

    def _read_thread(self, path: str) -> Log:
        """Read a log that stands beside a loop's: its rows are timed calls, if they may be."""
        from looptime.parsers.as_threads import is_timed

        log = self.read(path)
        if self.layout is not None or any(map(is_timed, log.runs)):
            return log
        try:
            return self.but(layout="calls").read(path)
        except LogError as error:
            if "each row a timed call" not in error.what:  # nothing reads it so
                return log
            raise LogError(
                "has no calls with a start of their own, as a thread beside a loop must: name it "
                f"first, or by itself; read as calls, {error.what}", path, error.line,
            ) from None  # fmt: skip

    @property
    def reading(self) -> dict[str, Any]:
        """How logs are read, where that is given: arguments of `looptime.parsers.read.read_log`."""
        given = {name: getattr(self, name) for name in _READING}
        return {name: value for name, value in given.items() if value is not None}

    def part(self, run: Run, with_phase: bool = True) -> Run:
        """The part of a run that is asked for.

        Raises
        ------
        UsageError
            If the run has no such part.
        """
        from looptime.analysers.part import part

        phase = self.phase if with_phase else None
        return part(run, phase, self.from_s, self.to_s, self.where)

    def modelled(self, run: Run) -> Run:
        """The same part, for a question that models the robot.

        Raises
        ------
        UsageError
            If the run has no such part, or its loops are no robot's: a wrong unit makes them so.
        """
        import numpy as np

        period = self.part(run, with_phase=False).loop_columns.period_ns
        usual = float(np.median(period)) if len(period) else 0.0
        total = float(period.sum(dtype=np.float64))
        if usual > _LONGEST_NS or total > _LONGEST_RUN_NS:
            raise UsageError(
                f"{run.source}: a loop takes {usual / 1e9:,.0f} s, all {total / 1e9:,.0f} s: "
                "no model of a robot covers that; a wrong unit is set right with --unit"
            )
        return self.part(run)

    def parts(self, path: str) -> list[Run]:
        """The runs of a log, each cut to the part that is asked for."""
        return [self.part(run) for run in self.read(path).runs]

    @property
    def part_text(self) -> str:
        """The part in words, for example ``phase=transport``; empty for the whole log."""
        where = ",".join(self.where) or None
        asked = {"phase": self.phase, "from": self.from_s, "to": self.to_s, "where": where}
        return " ".join(f"{key}={value}" for key, value in asked.items() if value is not None)

    @property
    def options(self) -> tuple[tuple[str, ...], ...]:
        """As options of a command that reads the same; without the phase.

        The project file is left out where it would be found without being named.
        """
        named = self.project.path
        found = None if named is None else find_project()
        if named is not None and found is not None and found.resolve() == named.resolve():
            named = None
        values = (
            ("--project", None if named is None else named.as_posix()),
            *((_option(name), getattr(self, name)) for name in _READING),
            ("--budget-ms", self.budget_given_ms), ("--from", self.from_s), ("--to", self.to_s),
            *(("--where", where) for where in self.where),
        )  # fmt: skip
        made = tuple((name, _as_typed(value)) for name, value in values if value is not None)
        return (*made, ("--keep-warmup",)) if self.keep_warmup else made

    def season_folder(self) -> Path:
        """The season's folder: as given, else beside the project file, else here."""
        if self.season is not None:
            return Path(self.season)
        beside = self.project.path
        return (beside.parent if beside is not None else Path()) / "season"


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")


def _as_typed(value: str | float) -> str:
    """A value as it was probably typed."""
    return value if isinstance(value, str) else repr(float(value)).removesuffix(".0")
