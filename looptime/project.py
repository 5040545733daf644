"""The project file, ``looptime.toml``: what a team states about its robot beside its code.

Every key is optional; a key that is not known is an error that names the nearest one.
"""

from __future__ import annotations

from dataclasses import field, fields, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from looptime.call_words import guess_name
from looptime.controllers import Controller, Wheel, stated
from looptime.errors import ProjectError, UsageError, nearest
from looptime.files import read_toml
from looptime.records import dataclass
from looptime.schema import KINDS, LAYOUTS, CallName
from looptime.stated_columns import StatedColumns, state_columns
from looptime.units import UNITS

if TYPE_CHECKING:
    from looptime.globs import Globs

__all__ = ["Bus", "CallRule", "Heading", "LogOptions", "Project", "find_project"]

S = TypeVar("S", Controller, Wheel)

FILE_NAME = "looptime.toml"


@dataclass(frozen=True)
class LogOptions:
    """``[log]``: how the team's logs are to be read."""

    layout: str | None = None
    unit: str | None = None
    columns: str | None = None
    loop_call: str | None = None
    by: str | None = None
    stamped: str | None = None


@dataclass(frozen=True)
class CallRule:
    """``[[call]]``: labels for the calls whose names match a glob; the first match wins."""

    match: str
    kind: str | None = None
    subsystem: str | None = None
    device: str | None = None
    bus: str | None = None
    items: int | None = None
    batchable: bool | None = None
    recurs: str | None = None


@dataclass(frozen=True)
class Bus:
    """``[bus.NAME]``: cost of a transaction [ms] = `base_ms` + items x `per_item_ms`."""

    base_ms: float | None = None
    per_item_ms: float | None = None
    lock: str = "unknown"


@dataclass(frozen=True)
class Heading:
    """``[heading]``: where the heading is read and used, and what error is tolerable."""

    read_call: str | None = None
    pickup_call: str | None = None
    use_call: str | None = None
    read_instant: str | None = None
    sensor_delay_ms: float = 0.0
    tolerance_deg: float | None = None
    tolerance_mm: float | None = None


@dataclass(frozen=True)
class Project:
    """What ``looptime.toml`` says.

    Parameters
    ----------
    path : Path or None
        The file, None where there is none.
    log : LogOptions
    calls : tuple of CallRule
    buses : dict of str to Bus
    heading : Heading
    budget_ms, serious_ms : float or None [ms]
        Period above which a loop overruns, and above which that is serious.
    threads : {"at once", "take turns"} or None
        Whether threads compute at once, or take turns on an interpreter's one lock.
    switch_interval_ms : float or None [ms]
        After which a thread that waits for that lock is handed it.
    robot, max_turn_rate_deg_s, max_speed_m_s
        ``[robot]``.
    effort : dict of str to float
        Effort classes of remedies.
    limits : dict
        ``[limits]``: flat keys, and `call` with one table a call.
    regression : dict of str to float
        ``[regression]``: `tolerance_percent`, `tolerance_ms`, `confidence`.
    columns : tuple of StatedColumns
        ``[[columns]]``: what the columns of logs with a certain header are.
    controllers, wheels : tuple of Controller, tuple of Wheel
        ``[[controller]]`` and ``[[wheel]]``.
    max_steering_deg_s : float or None [deg/s]
        ``[steering] max_rate_deg_s``: how fast the wheels turn at most.
    """

    path: Path | None = None
    log: LogOptions = field(default_factory=LogOptions)
    calls: tuple[CallRule, ...] = ()
    buses: dict[str, Bus] = field(default_factory=dict)
    heading: Heading = field(default_factory=Heading)
    budget_ms: float | None = None
    serious_ms: float | None = None
    threads: str | None = None
    switch_interval_ms: float | None = None
    robot: str | None = None
    max_turn_rate_deg_s: float | None = None
    max_speed_m_s: float | None = None
    effort: dict[str, float] = field(default_factory=dict)
    limits: dict[str, Any] = field(default_factory=dict)
    regression: dict[str, float] = field(default_factory=dict)
    columns: tuple[StatedColumns, ...] = ()
    controllers: tuple[Controller, ...] = ()
    wheels: tuple[Wheel, ...] = ()
    max_steering_deg_s: float | None = None

    @classmethod
    def load(cls, path: str | Path) -> Project:
        """Read a project file.

        Raises
        ------
        ProjectError
            If it cannot be read, is not TOML, or holds a key or a value that is not known.
        """
        path = Path(path)
        return _from_toml(read_toml(path, ProjectError), path)

    def label(self, logged: CallName) -> CallName:
        """Labels of a call: the log's own words first, then the project's, then a guess.

        Examples
        --------
        >>> project = Project(calls=(CallRule("gyro.*", kind="sensor read", bus="port"),))
        >>> project.label(CallName("gyro.read")).bus
        'port'
        >>> project.label(CallName("mast.position.read")).kind
        'sensor read'
        >>> project = Project(heading=Heading("gyro.read", use_call="heading"))
        >>> project.label(CallName("heading")).kind  # what uses a reading is no read
        'compute'
        """
        made = self._labelled(logged)
        uses = logged.name == self.heading.use_call != self.heading.read_call
        if uses and made.kind_from == "guessed" and made.kind == "sensor read":
            return replace(made, kind="compute", device=logged.device)
        return made

    @cached_property
    def _globs(self) -> Globs:
        from looptime.globs import Globs  # few logs stand beside a file that labels calls

        return Globs([rule.match for rule in self.calls])

    def _labelled(self, logged: CallName) -> CallName:
        place = self._globs.first(logged.name) if self.calls else None
        if place is None:
            return guess_name(logged)
        rule = self.calls[place]
        ours = {
            key: getattr(rule, key)
            for key in ("subsystem", "device", "bus", "items", "batchable", "recurs")
            if getattr(rule, key) is not None and getattr(logged, key) is None
        }
        labelled = replace(logged, **ours)
        if logged.kind_from == "log":
            return labelled
        if rule.kind is not None:
            return guess_name(replace(labelled, kind=rule.kind, kind_from="project"))
        return guess_name(labelled)


_STATED = {"log": LogOptions, "call": CallRule, "bus": Bus, "heading": Heading}
_KEYS: dict[str, tuple[str, ...]] = {
    **{section: tuple(f.name for f in fields(kind)) for section, kind in _STATED.items()},
    "loop": ("budget_ms", "serious_ms", "threads", "switch_interval_ms"),
    "robot": ("name", "max_turn_rate_deg_s", "max_speed_m_s"),
    "limits": (
        *(f"{what}_{figure}_ms" for what in ("period", "work")
          for figure in ("mean", "p50", "p95", "p99", "max")),
        "overrun_share", "call",
    ),
    "limits.call": ("mean_ms", "p50_ms", "p95_ms", "p99_ms", "max_ms"),
    "regression": ("tolerance_percent", "tolerance_ms", "confidence"),
    "steering": ("max_rate_deg_s",),
}  # fmt: skip
_SECTIONS = (
    "log", "loop", "call", "bus", "robot", "heading", "effort", "limits", "regression",
    "controller", "wheel", "steering", "columns",
)  # fmt: skip
_TEXT = {"name", "threads"} | {
    f.name for kind in _STATED.values() for f in fields(kind) if str(f.type).startswith("str")
}
_CHOICES: dict[str, tuple[str, ...]] = {
    "layout": LAYOUTS,
    "unit": tuple(UNITS),
    "kind": KINDS,
    "recurs": ("loop", "time"),
    "lock": ("fair", "barging", "unknown"),
    "read_instant": ("start", "end"),
    "stamped": ("start", "end"),
    "threads": ("at once", "take turns"),
}


def _known(key: str, allowed: tuple[str, ...], where: str) -> None:
    if key in allowed:
        return
    raise ProjectError(f"{where}: key {key!r} is not known; {nearest(key, allowed)}")


def _value(key: str, value: object, where: str) -> Any:
    """Check one value by its key: text, a whole number, yes or no, or a number from 0."""
    if key in _TEXT:
        if not isinstance(value, str):
            raise ProjectError(f"{where}: {key} takes text in quotes, not {value!r}")
        choices = _CHOICES.get(key)
        if choices and value not in choices:
            more = ', or columns = "time (100 ns),name,..." for multiples' if key == "unit" else ""
            raise ProjectError(f"{where}: {key} = {value!r}: use one of {', '.join(choices)}{more}")
        return value
    if key == "batchable":
        if not isinstance(value, bool):
            raise ProjectError(f"{where}: batchable takes true or false, not {value!r}")
        return value
    if key == "items":
        if isinstance(value, bool) or not isinstance(value, int) or value < 1:
            raise ProjectError(f"{where}: items takes a whole number from 1, not {value!r}")
        return value
    if (
        not isinstance(value, int | float)
        or isinstance(value, bool)
        or not 0 <= value < float("inf")
    ):
        raise ProjectError(f"{where}: {key} takes a number from 0, not {value!r}")
    if key in ("budget_ms", "serious_ms", "switch_interval_ms") and value == 0:
        raise ProjectError(f"{where}: {key} = 0: give a number above 0")
    return float(value)


def _section(data: object, section: str, where: str) -> dict[str, Any]:
    if not isinstance(data, dict):
        shown = "[[call]]" if section == "call" else f"[{section}]"
        raise ProjectError(f"{where}: is not a table: write {shown} on a line of its own")
    for key in data:
        _known(key, _KEYS[section], where)
    return {key: _value(key, value, where) for key, value in data.items() if key != "call"}


def _from_toml(data: dict[str, Any], path: Path) -> Project:
    for section in data:
        _known(section, _SECTIONS, str(path))

    def part(section: str) -> dict[str, Any]:
        return _section(data.get(section, {}), section, f"{path}: [{section}]")

    robot = part("robot")
    return Project(
        path=path,
        log=LogOptions(**part("log")),
        calls=_rules(data.get("call", []), path),
        buses=_buses(data.get("bus", {}), path),
        heading=Heading(**part("heading")),
        robot=robot.get("name"),
        max_turn_rate_deg_s=robot.get("max_turn_rate_deg_s"),
        max_speed_m_s=robot.get("max_speed_m_s"),
        effort=_effort(data.get("effort", {}), path),
        limits=_limits(data.get("limits", {}), path),
        regression=_regression(part("regression"), path),
        columns=_columns(data.get("columns", []), path),
        controllers=_stated(data.get("controller", []), "controller", Controller, path),
        wheels=_stated(data.get("wheel", []), "wheel", Wheel, path),
        max_steering_deg_s=part("steering").get("max_rate_deg_s"),
        **part("loop"),
    )


def _rules(data: object, path: Path) -> tuple[CallRule, ...]:
    if not isinstance(data, list):
        raise ProjectError(f"{path}: call labels are written [[call]], with two brackets")
    rules = []
    for number, entry in enumerate(data, 1):
        where = f"{path}: [[call]] number {number}"
        rule = _section(entry, "call", where)
        if "match" not in rule:
            raise ProjectError(f'{where}: has no match: add match = "NAME or PATTERN"')
        rules.append(CallRule(**rule))
    return tuple(rules)


def _stated(data: object, section: str, kind: type[S], path: Path) -> tuple[S, ...]:
    """Tables of an array, each with a name of its own."""
    if not isinstance(data, list) or not all(isinstance(entry, dict) for entry in data):
        raise ProjectError(f"{path}: write [[{section}]], with two brackets, one table each")
    made: list[S] = []
    for number, entry in enumerate(data, 1):
        where = f"{path}: [[{section}]] number {number}"
        if "name" not in entry:
            raise ProjectError(f'{where}: has no name: add name = "..."')
        try:
            made.append(stated(kind, entry))
        except UsageError as error:
            raise ProjectError(f"{where}: {error}") from error
        if made[-1].name in [one.name for one in made[:-1]]:
            raise ProjectError(f"{where}: the name {made[-1].name!r} is taken: give each its own")
    return tuple(made)


def _columns(data: object, path: Path) -> tuple[StatedColumns, ...]:
    if not isinstance(data, list) or not all(isinstance(entry, dict) for entry in data):
        raise ProjectError(f"{path}: write [[columns]], with two brackets, one table a header")
    made = []
    for number, entry in enumerate(data, 1):
        try:
            made.append(state_columns(entry))
        except UsageError as error:
            raise ProjectError(f"{path}: [[columns]] number {number}: {error}") from error
    return tuple(made)


def _buses(data: object, path: Path) -> dict[str, Bus]:
    if not isinstance(data, dict) or not all(isinstance(entry, dict) for entry in data.values()):
        raise ProjectError(f"{path}: buses are written [bus.NAME], one table a bus")
    return {
        name: Bus(**_section(entry, "bus", f"{path}: [bus.{name}]")) for name, entry in data.items()
    }


def _effort(data: object, path: Path) -> dict[str, float]:
    if not isinstance(data, dict):
        raise ProjectError(f"{path}: [effort] is not a table")
    return {key: _value(key, value, f"{path}: [effort]") for key, value in data.items()}


def _limits(data: dict[str, Any], path: Path) -> dict[str, Any]:
    where = f"{path}: [limits]"
    limits = _section(data, "limits", where)
    calls = data.get("call", {})
    if not isinstance(calls, dict) or not all(isinstance(entry, dict) for entry in calls.values()):
        raise ProjectError(f'{where}: limits of a call are written call."NAME".p99_ms = 5.0')
    if calls:
        limits["call"] = {
            name: _section(entry, "limits.call", f'{where} call."{name}"')
            for name, entry in calls.items()
        }
    return limits


def _regression(values: dict[str, float], path: Path) -> dict[str, float]:
    confidence = values.get("confidence", 0.95)
    if not 0.5 < confidence < 1:
        raise ProjectError(
            f"{path}: [regression]: confidence = {confidence:g}: use a share such as 0.95"
        )
    return values


def find_project(start: str | Path | None = None) -> Path | None:
    """The nearest ``looptime.toml`` in a folder or above it.

    Parameters
    ----------
    start : str or Path, optional
        Folder to begin at; the working folder by default.
    """
    here = Path.cwd() if start is None else Path(start).resolve()
    for folder in (here, *here.parents):
        candidate = folder / FILE_NAME
        if candidate.is_file():
            return candidate
    return None
