"""What looptime raises; the lowest module, so that anything may import it."""

__all__ = [
    "LogError", "LooptimeError", "NotEnoughError", "ProjectError", "UnlikePhasesError",
    "UsageError",
]  # fmt: skip


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
