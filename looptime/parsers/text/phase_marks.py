"""Lines between the rows that say which phase of the run begins: `--- AUTO ---`, `# phase: dock`.

A line that names a phase with the word for it is a mark; so is a title, set between rules or behind
one, if such titles part the whole log or name what robots do.
"""

import re
from collections.abc import Sequence

import numpy as np

from looptime.array_types import Int
from looptime.records import dataclass

__all__ = ["UNMARKED", "InPhases", "Mark", "in_phases", "mark_of"]

#: Phase of the rows that no mark names.
UNMARKED = "unmarked"

#: Words for a phase, and for its begin and end, in the languages in which teams write their logs.
_KEYS = (
    "phase|mode|state|stage|period|modus|zustand|abschnitt|betriebsart|état|etat|étape|etape|fase|"
    "modo|estado|etapa|stato|modalità|toestand|läge|tila"
)
_BEGIN = "begin|start|started|starting|enter|entering|entered|now|beginn|début|debut|inicio|inizio"
_END = "end|ended|stop|stopped|exit|leave|leaving|left|finished|ende|fin|fine"
#: What robots do and are told to do: a title of one of these is no accident.
_DOINGS = frozenset(
    ("auto", "autonomous", "autonom", "teleop", "teleoperated", "manual", "driver", "disabled",
     "enabled", "idle", "standby", "test", "init", "warmup", "drive", "driving", "dock", "docking",
     "charge", "charging", "carry", "carrying", "pause", "paused", "manuell", "fahren", "warten",
     "leerlauf", "manuel", "autonome", "conduite", "attente", "arrêt", "manual", "autónomo",
     "autonomo", "espera", "reposo", "parado", "attesa", "guida", "handmatig", "stilstand")
)  # fmt: skip
_MOST_WORDS = 4
_KEYED = re.compile(
    rf"(?:(?:{_BEGIN}|robot|new|set|switch(?:ed|ing)?)\s+(?:to\s+)?)?(?:{_KEYS})\b"
    rf"(?:\s+(?:changed?|change[sd]?|is|to|switch(?:ed)?|{_BEGIN}))*\s*(?:[:=>\]|]|->|→)*\s*(.+)",
    re.IGNORECASE,
)
_ENDED = re.compile(rf"(?:{_END})\b[\s:]*(?:of\b)?|.*\b(?:{_END})$", re.IGNORECASE)
_BEGUN = re.compile(rf"^(?:{_BEGIN})\b[\s:]*(?:of\b\s*)?|\s+(?:{_BEGIN})$", re.IGNORECASE)
_RULED = re.compile(r"^(?:#\s*|//\s*)?(?:[-=*~+_>#<|]{2,}\s*|\[+)(?=[^\W\d_])")
#: Around what a mark says: rules, comment signs, brackets, and the time at which it was written.
_BEFORE, _AFTER = re.compile(r"^(?:[\W\d_]|(?:ms|us|s)\b)*"), re.compile(r"[\W_]*$")
_NO_NAME = re.compile(r"[,;=|\t\"{}]|\d[.,]\d")
#: At most so many phases; a mark for so many rows and not more.
_PHASES, _ROWS_EACH = 12, 8


@dataclass(frozen=True)
class Mark:
    """A line that says what begins there; `sure` where it says that this is a phase."""

    name: str  #: Empty where a phase ends
    sure: bool


def mark_of(text: str) -> Mark | None:
    """What a line says of the rows below it, None where it is no mark.

    Examples
    --------
    >>> mark_of("--- AUTO ---"), mark_of("# phase: carrying")
    (Mark(name='AUTO', sure=False), Mark(name='carrying', sure=True))
    >>> mark_of("[12.480] MODE -> manual").name, mark_of("=== end of AUTO ===").name
    ('manual', '')
    >>> mark_of("12.4,3,0.1"), mark_of("# budget_ms: 20"), mark_of("warning: battery low")
    (None, None, None)
    """
    bare = text.strip()
    said = _AFTER.sub("", _BEFORE.sub("", bare))
    keyed = _KEYED.fullmatch(said)
    if keyed is None and not _RULED.match(bare):
        return None
    name = re.split(r"->|→|=>", keyed[1] if keyed else said)[-1].strip(" '\"[]().:-")
    if not name or len(name.split()) > _MOST_WORDS or _NO_NAME.search(name):
        return None
    if _ENDED.fullmatch(name) or (_ENDED.match(name) and len(name.split()) > 1):
        return Mark("", keyed is not None)
    name = _BEGUN.sub("", name)
    return Mark(name, keyed is not None) if any(c.isalpha() for c in name) else None


@dataclass(frozen=True)
class InPhases:
    """The phase of every row: codes into `names`, shape (n,), and the lines that say so."""

    code: Int
    names: list[str]
    lines: frozenset[int]


def in_phases(between: Sequence[tuple[int, str]], rows: Int) -> InPhases | None:
    """The phase of every row, where the lines between them name phases.

    Parameters
    ----------
    between : sequence of (int, str)
        Lines that are no rows, rising, and their texts.
    rows : int64 array, shape (n,)
        Lines of the rows, rising.

    Returns
    -------
    InPhases or None
        Rows above the first mark, and below the end of a phase, are `UNMARKED`. None where there
        are no marks, or too many, or they name one phase only, or are titles of something else.

    Examples
    --------
    >>> found = in_phases([(1, "# phase: auto"), (12, "# phase: dock")], np.arange(2, 32))
    >>> np.bincount(found.code).tolist(), found.names
    ([11, 19], ['auto', 'dock'])
    """
    marks = [(line, mark) for line, text in between if (mark := mark_of(text)) is not None]
    sure = [one for one in marks if one[1].sure]
    used = sure or (marks if _titled([mark.name for _, mark in marks]) else [])
    if not used:
        return None
    above = np.searchsorted(np.array([line for line, _ in used]), rows, side="left")
    names = [UNMARKED, *(mark.name or UNMARKED for _, mark in used)]
    whole = sure or above[:1].all() or any(_DOINGS & set(n.lower().split()) for n in names)
    known = list(dict.fromkeys(names[at] for at in np.unique(above)))
    changes = len(np.unique(above)) - 1
    if not whole or not 2 <= len(known) <= _PHASES or changes * _ROWS_EACH > len(rows):
        return None
    code = np.array([known.index(name) if name in known else -1 for name in names])[above]
    return InPhases(code, known, frozenset(line for line, _ in marks))


def _titled(names: list[str]) -> bool:
    """Whether titles differ by more than a number."""
    return len({re.sub(r"[\W\d_]+", "", name).casefold() for name in names}) > 1
