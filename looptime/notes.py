"""Notes of the team: a sentence on a run, a stretch of it or one loop, kept beside the logs.

They stand in `looptime-notes.csv` in the folder of the logs that they are about, one a line, never
in a log. A log is named by its file name, so that a log that grows keeps its notes and a folder
can be moved. The file may be edited by hand; a line that makes no sense is told with its number
and left as it is.
"""

import csv
import io
import math
import os
import re
import threading
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

from looptime.errors import UsageError
from looptime.files import NOTES_FILE, open_plain, write_whole
from looptime.records import dataclass

__all__ = [
    "LONGEST_NOTE",
    "NOTES_FILE",
    "Note",
    "Notes",
    "add_note",
    "drop_note",
    "notes_of",
    "read_notes",
]  # fmt: skip

#: Characters of a note.
LONGEST_NOTE = 400
_HEADS = ("log", "run", "loop", "from_s", "to_s", "note", "written")
_LARGEST = 4 << 20  # bytes of a file of notes
_FORMULA = re.compile(r"'*\s*[=+\-@|%]")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\s]+")
_WRITING = threading.Lock()


@dataclass(frozen=True)
class Note:
    """One note.

    Examples
    --------
    >>> Note("run.csv", "gyro plug was loose", loop=812).about
    'loop 812'
    >>> Note("run.csv", "pushed by hand", from_s=2.0, to_s=3.5).about
    '2 to 3.5 s'
    """

    log: str  #: File name of the log
    text: str  #: The sentence, in one line
    run: int = 1  #: Which run of the log, from 1
    loop: int | None = None  #: Number of the loop that it is about, as logged
    #: The stretch that it is about, since the run's first loop. A note with neither loop nor
    #: stretch is about the run.
    from_s: float | None = None
    to_s: float | None = None
    written: str = ""  #: When, as local time in ISO 8601; empty where it is not known

    @property
    def about(self) -> str:
        """What it is about, in words."""
        if self.loop is not None:
            return f"loop {self.loop}"
        if self.from_s is None and self.to_s is None:
            return "the run"
        first = "the start" if self.from_s is None else f"{self.from_s:.10g}"
        return f"{first} to {'the end' if self.to_s is None else f'{self.to_s:.10g} s'}"


@dataclass(frozen=True)
class Notes:
    """What a folder's file of notes holds."""

    notes: tuple[Note, ...] = ()  #: In the order of the file
    #: Lines that make no sense, each as FILE:LINE and what is wrong with it.
    troubles: tuple[str, ...] = ()

    def of(self, log: str, run: int = 1) -> tuple[Note, ...]:
        """Those about one run: on the run first, then on stretches, then on loops."""
        mine = [n for n in self.notes if n.log == log and n.run == run]
        return tuple(sorted(mine, key=_place))


def _place(note: Note) -> tuple[int, float]:
    if note.loop is not None:
        return 2, note.loop
    whole = note.from_s is None and note.to_s is None
    return (0, 0.0) if whole else (1, note.from_s or 0.0)


def notes_of(path: str | os.PathLike[str], run: int = 1) -> tuple[Note, ...]:
    """The notes about a run of a log, from the file beside it; none where there is none.

    Parameters
    ----------
    path : path-like
        The log.
    run : int
        Which run of the log, from 1.
    """
    return read_notes(Path(path).parent).of(Path(path).name, run)


def read_notes(folder: str | os.PathLike[str]) -> Notes:
    """All notes of a folder of logs; without a file of notes there are none.

    Parameters
    ----------
    folder : path-like
        The folder of the logs, not looked through for folders within it.
    """
    place = Path(folder, NOTES_FILE)
    try:
        with open_plain(place) as file:
            data = file.read(_LARGEST + 1)
    except (FileNotFoundError, NotADirectoryError):
        return Notes()
    except OSError as error:
        return Notes(troubles=(f"{NOTES_FILE}: cannot be read: {error.strerror}",))
    if len(data) > _LARGEST:
        return Notes(troubles=(f"{NOTES_FILE}: is larger than 4 MiB: no file of notes",))
    return _parsed(_decoded(data))


def _decoded(data: bytes) -> str:
    """The text, also as spreadsheets save it."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _parsed(text: str) -> Notes:
    head = text.split("\n", maxsplit=1)[0]
    delimiter = max(",;\t", key=head.count)
    rows = csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter, strict=False)
    notes, troubles = [], []
    try:
        missing = {"log", "note"} - {(name or "").strip() for name in rows.fieldnames or ()}
        if missing:
            said = f"names no column {' and '.join(sorted(missing))}: begin with {','.join(_HEADS)}"
            return Notes(troubles=(f"{NOTES_FILE}:1: {said}",) if text.strip() else ())
        for row in rows:
            try:
                notes.append(_note({(k or "").strip(): v for k, v in row.items()}))
            except ValueError as error:
                troubles.append(f"{NOTES_FILE}:{rows.line_num}: {error}")
    except csv.Error as error:
        troubles.append(f"{NOTES_FILE}:{rows.line_num}: {error}")
    return Notes(tuple(notes), tuple(troubles))


def _note(row: Mapping[str, object]) -> Note:
    cells = {name: _plain(row.get(name)) for name in _HEADS}
    if not cells["log"]:
        raise ValueError("names no log")
    if not cells["note"]:
        raise ValueError("holds no note")
    run = _whole(cells, "run") or 1
    from_s, to_s = _seconds(cells, "from_s"), _seconds(cells, "to_s")
    if from_s is not None and to_s is not None and to_s <= from_s:
        raise ValueError(f"to_s {to_s:g} is not after from_s {from_s:g}")
    return Note(cells["log"], cells["note"][:LONGEST_NOTE], run, _whole(cells, "loop"), from_s,
                to_s, cells["written"][:40])  # fmt: skip


def _plain(value: object) -> str:
    """A cell without what keeps a spreadsheet from taking it for a formula."""
    text = value.strip() if isinstance(value, str) else ""
    return text[1:] if text.startswith("'") and _FORMULA.match(text[1:]) else text


def _whole(cells: Mapping[str, str], name: str) -> int | None:
    text = cells[name]
    if not text:
        return None
    if not re.fullmatch(r"-?\d{1,15}", text) or (name == "run" and int(text) < 1):
        raise ValueError(f"{name} {text[:20]!r} is no number of a {name}")
    return int(text)


def _seconds(cells: Mapping[str, str], name: str) -> float | None:
    text = cells[name].replace(",", ".")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(f"{name} {text[:20]!r} is no time in seconds")
    return value


def add_note(folder: str | os.PathLike[str], note: Note) -> Note:
    r"""Write a note behind the others; returns it as it stands there.

    Raises
    ------
    UsageError
        If it says nothing or too much, the file holds lines that make no sense (which would be
        lost), or cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     _ = add_note(place, Note("run.csv", "new plug\n on the gyro", loop=7))
    ...     [(one.text, one.about) for one in read_notes(place).notes]
    [('new plug on the gyro', 'loop 7')]
    """
    text = _CONTROL.sub(" ", note.text).strip()
    if not text:
        raise UsageError("a note must say something: write a sentence")
    if len(text) > LONGEST_NOTE:
        raise UsageError(f"a note has at most {LONGEST_NOTE} characters, not {len(text)}")
    now = datetime.now().astimezone().isoformat(timespec="minutes")
    made = Note(note.log, text, note.run, note.loop, note.from_s, note.to_s, note.written or now)
    with _WRITING:
        _write(folder, (*_whole_file(folder), made))
    return made


def drop_note(folder: str | os.PathLike[str], note: Note) -> None:
    """Take a note out; one that is gone already is no error.

    Raises
    ------
    UsageError
        As `add_note`.
    """
    with _WRITING:
        _write(folder, [n for n in _whole_file(folder) if n != note])


def _whole_file(folder: str | os.PathLike[str]) -> tuple[Note, ...]:
    found = read_notes(folder)
    if found.troubles:
        raise UsageError(f"{found.troubles[0]}: mend it first, so that nothing is lost")
    return found.notes


def _write(folder: str | os.PathLike[str], notes: Sequence[Note]) -> None:
    file = io.StringIO(newline="")
    rows = csv.writer(file)
    rows.writerow(_HEADS)
    for n in notes:
        cells = (n.log, n.run, n.loop, _exact(n.from_s), _exact(n.to_s), n.text, n.written)
        rows.writerow([_neutral(c) if isinstance(c, str) else c for c in cells])
    # the mark tells spreadsheets that it is UTF-8
    write_whole(Path(folder, NOTES_FILE), "\ufeff" + file.getvalue())


def _exact(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 9)


def _neutral(text: str) -> str:
    return f"'{text}" if _FORMULA.match(text) else text
