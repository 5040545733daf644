"""What looptime raises; the lowest module, so that anything may import it."""

from collections.abc import Iterable

__all__ = [
    "LogError", "LooptimeError", "NotEnoughError", "ProjectError", "UnlikePhasesError",
    "UsageError", "near", "nearest",
]  # fmt: skip

#: How alike two words are that one may stand for the other, and so many names are told else.
_ALIKE, _TOLD = 0.6, 8


class LooptimeError(Exception):
    """Base of every error that a person can mend.

    The message is one line that says what is wrong, where, and what to do.
    """


class UsageError(LooptimeError):
    """An option or an argument cannot be used as given."""


class UnlikePhasesError(UsageError):
    """Runs that hold other phases than those they are held against.

    Parameters
    ----------
    whole : str
        The message.
    lacks : str
        Which run lacks what, and what to do.
    """

    def __init__(self, whole: str, lacks: str) -> None:
        super().__init__(whole)
        self.lacks = lacks


class ProjectError(LooptimeError):
    """The project file (``looptime.toml``) cannot be used."""


class NotEnoughError(LooptimeError):
    """The log holds too little for the question that was asked."""


class LogError(LooptimeError):
    """A log cannot be read as it stands.

    Parameters
    ----------
    what : str
        One sentence that says what is wrong and what to do.
    path : str
        The log.
    line : int, optional
        Line number, counted from 1, where it went wrong.

    Examples
    --------
    >>> str(LogError("no time column: name one with --columns", "a.csv", 3))
    'a.csv:3: no time column: name one with --columns'
    """

    def __init__(self, what: str, path: str = "", line: int | None = None) -> None:
        # cells of the log may be quoted in it: no line break and no control character of theirs
        self.what = what = "".join(c if c.isprintable() else " " for c in what)
        self.path = path
        self.line = line
        place = path if line is None else f"{path}:{line}"
        super().__init__(f"{place}: {what}" if place else what)


def near(word: str, known: Iterable[str], alike: float = _ALIKE) -> str | None:
    """The name that a word may be meant for, by its whole or by one of its parts, if any.

    Parameters
    ----------
    word : str
        What was written.
    known : iterable of str
        The names that there are.
    alike : float
        Share of the letters that two words must have in common, in order.

    Examples
    --------
    >>> near("gyro.red", ["gyro.read", "drive.write"]), near("drive", ["gyro", "drive.write"])
    ('gyro.read', 'drive.write')
    >>> near("mast", ["gyro.read", "drive.write"])
    """
    import re
    from difflib import SequenceMatcher

    asked = SequenceMatcher(None, "", word.lower(), autojunk=False)

    def likeness(name: str) -> float:
        best = 0.0
        for part in (name.lower(), *re.findall(r"[^\W_]+", name.lower())):
            asked.set_seq1(part)
            best = max(best, asked.ratio())
        return best

    best, name = max(((likeness(name), name) for name in known), key=lambda at: at[0],
                     default=(0.0, ""))  # fmt: skip
    return name if best >= alike else None


def nearest(word: str, known: Iterable[str]) -> str:
    """What may have been meant by a word that is no name, else what names there are.

    Examples
    --------
    >>> nearest("gyro.red", ["gyro.read", "drive.write"])
    "the nearest is 'gyro.read'"
    >>> nearest("mast", ["gyro.read", "drive.write"]), nearest("mast", [])
    ("there are 'gyro.read' and 'drive.write'", 'there is none')
    >>> nearest("mast", (f"call{k}" for k in range(20)))[-30:]
    "'call6', 'call7' and 12 others"
    """
    names = list(dict.fromkeys(known))
    meant = near(word, names)
    if meant is not None:
        return f"the nearest is {meant!r}"
    shown = [repr(name) for name in names[:_TOLD]]
    if len(names) > _TOLD:
        shown.append(f"{len(names) - _TOLD} others")
    if len(shown) < 2:
        return f"there is {shown[0] if shown else 'none'}"
    return f"there are {', '.join(shown[:-1])} and {shown[-1]}"
