"""One line of the checklist before a round."""

from looptime.records import dataclass

__all__ = ["Checked"]


@dataclass(frozen=True)
class Checked:
    """One line of the checklist."""

    what: str  #: What was looked at
    state: str  #: ``ok``, ``bad`` or ``not judged``
    text: str  #: What was found, in a few words
    action: str = ""  #: What to do next where it is bad; a command or a sentence
