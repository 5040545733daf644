"""What a finding is."""

from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from typing import Any

from looptime.records import dataclass

__all__ = ["CAUTION", "CAUTION_LINE", "MAY_BE_MEANT", "SEVERITIES", "Evidence", "Finding", "ranked"]

#: From what should be acted upon to what is good to know.
SEVERITIES = ("act", "look", "note", "fine")

#: Worth, as a share of the loop, from which on a finding should be acted upon.
_ACT = 0.2
#: The most that a finding is worth which the team may mean to be so.
MAY_BE_MEANT = 0.95 * _ACT

#: Said wherever advice changes how the robot moves.
CAUTION = (
    "a change to the loop changes how the robot moves. Wheels off the floor for the first run, "
    "stop control in hand. The hardware maker's documentation says what may be called from a "
    "thread; the event's rules and its safety staff come first. Figures are estimates and "
    "never a safety case."
)

#: The same in one line, where a change is advised; `looptime guide safety` has it whole.
CAUTION_LINE = (
    "caution: first with the wheels off the floor, stop control in hand (looptime guide safety)"
)


@dataclass(frozen=True)
class Evidence:
    """Where a finding can be looked up."""

    loops: tuple[int, ...] = ()  #: Numbers of loops as logged, the most telling first
    lines: tuple[int, ...] = ()  #: Lines of the log where they begin
    calls: tuple[str, ...] = ()  #: Names of calls
    n_loops: int = 0  #: Loops behind the figure


@dataclass(frozen=True)
class Finding:
    """One thing that the figures say, in plain words.

    Parameters
    ----------
    code : str
        What kind of finding it is; stable, for scripts.
    severity : str
        One of `SEVERITIES`.
    text : str
        One or two sentences.
    value, low, high : float or None [unit]
        The figure behind it and its 95 % interval.
    unit : str
        Unit of the figure.
    evidence : Evidence
        Loops, lines and calls.
    command : str
        What to run to look closer.
    worth : float
        What acting on it would buy at most, as a share of the loop; ranks the findings.
    moves : bool
        Whether acting on it changes how the robot moves.
    rests_on : dict of str to float or None
        The quantities behind the words, by the names that `looptime.findings.referee` knows.
    """

    code: str
    severity: str
    text: str
    value: float | None = None
    unit: str = ""
    low: float | None = None
    high: float | None = None
    evidence: Evidence = field(default_factory=Evidence)
    command: str = ""
    worth: float = 0.0
    moves: bool = False
    rests_on: Mapping[str, float | None] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """The finding as JSON holds it.

        Examples
        --------
        >>> Finding("healthy", "fine", "Nothing stands out.").to_dict()["value"]
        {'value': None, 'low': None, 'high': None}
        """
        return {
            "code": self.code,
            "severity": self.severity,
            "text": self.text,
            "value": {"value": self.value, "low": self.low, "high": self.high},
            "unit": self.unit,
            "evidence": {
                "loops": list(self.evidence.loops),
                "lines": list(self.evidence.lines),
                "calls": list(self.evidence.calls),
                "n_loops": self.evidence.n_loops,
            },
            "command": self.command,
            "worth": self.worth,
            "moves": self.moves,
            "rests_on": dict(self.rests_on),
        }


def ranked(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Findings in the order of what acting on them would buy; notes come last.

    Rules say `look`; `act` is what is worth a fifth of the loop and more, so that the word agrees
    with the order.

    Examples
    --------
    >>> some = [Finding("a", "look", "A.", worth=0.1), Finding("b", "look", "B.", worth=0.3)]
    >>> [(f.code, f.severity) for f in ranked(some)]
    [('b', 'act'), ('a', 'look')]
    """
    order = {"act": 0, "look": 0, "fine": 1, "note": 2}
    return tuple(sorted(map(_weighed, findings), key=lambda f: (order[f.severity], -f.worth)))


def _weighed(finding: Finding) -> Finding:
    if finding.severity not in ("act", "look"):
        return finding
    return replace(finding, severity="act" if finding.worth >= _ACT else "look")
