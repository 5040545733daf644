"""A season: a folder with one entry per run, shared by any number of processes.

::

    season/
      season.json                        {"looptime_season": 1}
      entries/part=3f/3f9a...c1.parquet  one run, named by the hash of its content alone
      baseline/3f9a...c1                 empty; marks the entry as a baseline run
      index.json                         a copy of the figures that lists need, renewed at will;
                                         begun by adding only, so that looking leaves no file
      partial/                           files being written; of no account until renamed

Every file is written under another name and renamed when it is whole, so that a crash or a
second process at the same time loses nothing that was there. Nothing that stands in a log
becomes the name of a file.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import time
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import asdict, field, replace
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from looptime.checks.recording.facts import Facts
from looptime.checks.season.query import Query, in_order, is_query, parse_query
from looptime.errors import LooptimeError, UsageError
from looptime.files import open_plain
from looptime.records import dataclass

if TYPE_CHECKING:  # Parquet is loaded only when an entry is read or written
    from looptime.checks.season.entries import Entry

__all__ = ["Listed", "Season", "SeasonError"]

SEASON_VERSION = 1
INDEX_VERSION = 1
#: Files in ``partial/`` older than this are left over from a crash [s].
STALE_S = 3600.0

_NAME = re.compile(r"[0-9a-f]{64}")
_MARK = "season.json"


class SeasonError(LooptimeError):
    """A season cannot be used as it stands."""


@dataclass(frozen=True)
class Listed:
    """An entry as lists show it."""

    name: str  #: Hash of the run's content
    facts: Facts
    #: By ``quantity.statistic`` [ms; counts; 1/s].
    figures: dict[str, float] = field(default_factory=dict)
    baseline: bool = False  #: Whether it is marked as a baseline run
    log_hash: str = ""
    part: str = ""
    runs_in_log: int = 1  #: As in `looptime.checks.season.entries.Entry`

    @property
    def told_apart(self) -> tuple[str, float]:
        """What its copies share, and its length, by which the longest of them stands for all."""
        return self.facts.opening, self.facts.loops + self.facts.warmup_loops

    @property
    def short(self) -> str:
        """The beginning of the name, as lists show it."""
        return self.name[:10]

    def to_dict(self) -> dict[str, Any]:
        """What ``season list --json`` gives for an entry."""
        facts = asdict(self.facts)
        del facts["opening"]
        facts["phases"] = [{"phase": p, "share": s} for p, s in self.facts.phases]
        return {"entry": self.name, "baseline": self.baseline, **facts, "figures": self.figures}


class Season:
    """A season's folder.

    Parameters
    ----------
    folder : Path
    create : bool
        Whether to make it where it does not exist.

    Raises
    ------
    SeasonError
        If the folder is no season, or was made by a newer version.
    """

    def __init__(self, folder: str | Path, create: bool = False) -> None:
        self.folder = Path(folder)
        self._index = self.folder / "index.json"
        self.damaged: dict[str, str] = {}
        mark = self.folder / _MARK
        try:
            with open_plain(mark) as file:
                found = json.loads(file.read())["looptime_season"]
        except (FileNotFoundError, NotADirectoryError):
            self._make(create)
            return
        except OSError as error:
            raise SeasonError(f"{mark}: cannot be read: {error.strerror}") from error
        except (ValueError, KeyError, TypeError) as error:
            whole = f'{{"looptime_season": {SEASON_VERSION}}}'
            raise SeasonError(f"{mark}: is damaged: write {whole} into it") from error
        if not isinstance(found, int) or found > SEASON_VERSION:
            raise SeasonError(f"{mark}: has version {found}: update looptime to use it")

    def _make(self, create: bool) -> None:
        if not create:
            raise SeasonError(
                f"no season is kept in the folder {self.folder}: begin with looptime season add "
                "LOG, or name its folder with --season"
            )
        if self.folder.exists():  # looked into once: another process may be making it
            held = {one.name for one in self.folder.iterdir()} if self.folder.is_dir() else {""}
            if held and "entries" not in held:
                raise SeasonError(f"{self.folder}: holds other things: name an empty folder")
        try:
            for part in ("entries", "baseline", "partial"):
                (self.folder / part).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise SeasonError(f"{self.folder}: cannot be made: {error.strerror}") from error
        self._publish(self.folder / _MARK, b'{"looptime_season": %d}\n' % SEASON_VERSION)

    @staticmethod
    def is_season(folder: str | Path) -> bool:
        """Whether a folder holds a season."""
        return os.path.isfile(Path(folder) / _MARK)  # no error where it may not be read

    def _publish(self, path: Path, data: bytes) -> None:
        """Write a file so that it is whole or not there at all."""
        partial = self.folder / "partial"
        made = partial / f"{os.getpid()}-{uuid.uuid4().hex}"
        try:
            partial.mkdir(parents=True, exist_ok=True)
            path.parent.mkdir(parents=True, exist_ok=True)
            with made.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            _rename(made, path)
        except OSError as error:
            with contextlib.suppress(OSError):  # where nothing can be written nothing is removed
                made.unlink(missing_ok=True)
            raise SeasonError(
                f"{path}: cannot be written ({error.strerror}): what was added before is kept;"
                " make room or mend the rights, then add again"
            ) from error

    def path_of(self, name: str) -> Path:
        """File of an entry."""
        return self.folder / "entries" / f"part={name[:2]}" / f"{name}.parquet"

    def __contains__(self, name: str) -> bool:
        return self.path_of(name).is_file()

    def put(self, name: str, data: bytes) -> None:
        """Store an entry's file, as `entries.to_bytes` gives it; replaces one of that name."""
        if not _NAME.fullmatch(name):
            raise ValueError("an entry is named by a SHA-256 in hexadecimal digits")
        self._publish(self.path_of(name), data)
        if not os.path.lexists(self._index):
            self._write_index({})

    def load(self, name: str, histograms: bool = True) -> Entry:
        """Read an entry with everything that is in it, or all but its histograms.

        Raises
        ------
        looptime.checks.season.entries.DamagedError
            If its file is damaged.
        """
        from looptime.checks.season.entries import from_file

        return from_file(self.path_of(name), histograms)

    def drop(self, names: Iterable[str]) -> int:
        """Remove entries and their baseline marks; returns how many were there.

        Raises
        ------
        SeasonError
            If one cannot be removed; the entries before it are gone, it and its mark are there.
        """
        count = 0
        for name in names:
            count += _removed(self.path_of(name))
            _removed(self.folder / "baseline" / name)
        return count

    def mark_baseline(self, names: Sequence[str], on: bool = True) -> None:
        """Mark entries as baseline runs, or take the mark away."""
        for name in names:
            mark = self.folder / "baseline" / name
            if on:
                self._publish(mark, b"")
            else:
                _removed(mark)

    def clean(self) -> int:
        """Remove what a crash left half written more than an hour ago; returns how many."""
        count = 0
        for path in (self.folder / "partial").glob("*"):
            try:
                if time.time() - path.stat().st_mtime > STALE_S:
                    path.unlink()
                    count += 1
            except OSError:  # another process was quicker
                continue
        return count

    def _files(self) -> dict[str, os.DirEntry[str]]:
        found = {}
        for part in _listing(self.folder / "entries"):
            for file in _listing(part.path) if part.is_dir() else ():
                name, dot, kind = file.name.partition(".")
                if dot and kind == "parquet":  # what is no file is told of as damaged
                    found[name] = file
        return found

    def _marked(self) -> set[str]:
        return {mark.name for mark in _listing(self.folder / "baseline")}

    def entries(self) -> list[Listed]:
        """All readable entries in the order of their recording; `damaged` names the others."""
        index = self._read_index()
        marked, rows, found = self._marked(), {}, []
        self.damaged = {}
        files = self._files()
        for name, file in files.items():
            try:
                stat = file.stat()
            except OSError:  # dropped since by another process
                continue
            stamp = [stat.st_size, stat.st_mtime_ns]
            row = index.get(name)
            if row is None or row.get("stamp") != stamp:
                row = self._index_row(name, stamp)
            if row is None:
                continue
            rows[name] = row
            found.append(_listed(row, name in marked))
        if rows != index and os.path.lexists(self._index):
            self._write_index(rows)
        return in_order((entry.facts, entry.name, entry) for entry in found)

    def select(self, query: str | Query) -> list[Listed]:
        """Entries that a query names, in the order of their recording.

        Raises
        ------
        UsageError
            If the query cannot be read or names no entry.
        """
        asked = parse_query(query) if isinstance(query, str) else query
        found = [e for e in self.entries() if asked.matches(e.name, e.facts, e.baseline)]
        if asked.last is not None:
            found = found[-asked.last :]
        if not found:
            raise UsageError(f"{self.folder}: no entry matches {query}: see looptime season list")
        return found

    def names(self, words: Sequence[str]) -> list[str]:
        """Names of the entries that some words mean: beginnings of names, logs, or one query.

        Damaged entries can be named as well, so that they can be dropped.

        Raises
        ------
        UsageError
            If a word names nothing, or more than one entry.
        """
        text = " ".join(words)
        if is_query(text):
            return [entry.name for entry in self.select(text)]
        files = self._files()
        found = []
        for word in words:
            fits = sorted(name for name in files if name.startswith(word.lower()) and word)
            if len(fits) == 1 or (not fits and (fits := self._of_log(word))):
                found += fits
                continue
            why = "no entry begins" if not fits else f"{len(fits)} entries begin"
            logs = len(self._called(word)) if not fits else 0
            what = f"{logs} entries are of logs called" if logs > 1 else f"{why} with"
            raise UsageError(
                f"{self.folder}: {what} {word!r}: looptime season list shows them; a "
                f"query is KEY=VALUE, such as version={word}"
            )
        return list(dict.fromkeys(found))

    def _of_log(self, word: str) -> list[str]:
        """Names of the runs of the one log of a name; none where several logs have it."""
        mine = self._called(word)
        return [at.name for at in mine] if len({at.log_hash for at in mine}) == 1 else []

    def _called(self, word: str) -> list[Listed]:
        """Entries whose log has a name, or a path that ends in one, where several have the name."""
        path = PurePath(word)
        if not path.name:
            return []
        mine = [at for at in self.entries() if PurePath(at.facts.source).name == path.name]
        parts = path.parts
        near = [at for at in mine if PurePath(at.facts.source).parts[-len(parts) :] == parts]
        return near if len({at.log_hash for at in mine}) > 1 else mine

    def _index_row(self, name: str, stamp: list[int]) -> dict[str, Any] | None:
        from looptime.checks.season.entries import DamagedError

        try:
            entry = self.load(name, histograms=False)
        except DamagedError as error:
            if os.path.lexists(self.path_of(name)):  # else dropped since by another process
                self.damaged[name] = str(error)
            return None
        return index_row(entry, stamp)

    def _read_index(self) -> dict[str, dict[str, Any]]:
        try:
            with open_plain(self._index) as file:
                data = json.loads(file.read())
            if data["index_version"] == INDEX_VERSION:
                rows: dict[str, dict[str, Any]] = data["entries"]
                for row in rows.values():
                    _listed(row, False)
                return rows
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            pass  # it is only a copy
        return {}

    def _write_index(self, rows: dict[str, dict[str, Any]]) -> None:
        data = json.dumps({"index_version": INDEX_VERSION, "entries": rows}, sort_keys=True)
        with contextlib.suppress(SeasonError):  # what cannot be written to can still be read
            self._publish(self._index, data.encode())


def _removed(path: Path) -> bool:
    """Remove a file; returns whether it was there."""
    try:
        path.unlink()
    except FileNotFoundError:
        return False
    except OSError as error:
        if error.errno == errno.EROFS and not os.path.lexists(path):
            return False
        raise SeasonError(
            f"{path}: cannot be removed: {error.strerror}: mend the rights"
        ) from error
    return True


def _listing(folder: str | Path) -> list[os.DirEntry[str]]:
    """What a folder holds; nothing where there is none, or none any more."""
    try:
        with os.scandir(folder) as found:
            return list(found)
    except (FileNotFoundError, NotADirectoryError):
        return []
    except OSError as error:
        raise SeasonError(f"{folder}: cannot be read: {error.strerror}: mend the rights") from error


def _rename(source: Path, target: Path) -> None:
    """Rename over whatever is there; Windows refuses for a moment while another reads it."""
    for pause in (0.0, 0.01, 0.05, 0.2, 0.5, 1.0):
        time.sleep(pause)
        try:
            os.replace(source, target)
            return
        except PermissionError:
            if os.name != "nt":
                raise
    os.replace(source, target)


def index_row(entry: Entry, stamp: list[int]) -> dict[str, Any]:
    """What the index keeps of an entry."""
    return {
        "stamp": stamp,
        "entry": entry.name,
        "facts": {**entry.facts.__dict__, "phases": [list(p) for p in entry.facts.phases]},
        "figures": {f"{v.quantity}.{v.statistic}": v.value for v in entry.values.values},
        "log_hash": entry.log_hash,
        "part": entry.part,
        "runs_in_log": entry.runs_in_log,
    }


def _listed(row: dict[str, Any], baseline: bool) -> Listed:
    facts = Facts(**row["facts"])
    return Listed(
        row["entry"],
        replace(facts, phases=tuple((str(p), float(s)) for p, s in facts.phases)),
        row["figures"],
        baseline,
        row["log_hash"],
        row["part"],
        row["runs_in_log"],
    )
