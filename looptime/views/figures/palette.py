"""Colours and fill patterns: one place says what each kind of call looks like, everywhere.

Every colour stands out from white paper and from the dark page alike (3:1 and more), so that a
figure needs no second set of colours at night. Kinds stay apart for readers who see fewer
colours, and each has a fill pattern of its own besides.
"""

from looptime.schema import KINDS, UNATTRIBUTED

__all__ = [
    "AFTER", "BEFORE", "DARK", "KIND_COLOUR", "KIND_PATTERN", "LIGHT", "MARK", "NEUTRAL",
    "QUIET", "WARN", "colour_of", "pattern_of",
]  # fmt: skip

#: Colour of each kind of call.
KIND_COLOUR: dict[str, str] = {
    "sensor read": "#4270b5",
    "actuator write": "#b5502f",
    "wait": "#b23ab2",
    "compute": "#169c67",
    "telemetry": "#a88704",
    "pacing": "#7d8da6",
    "other": "#9350e6",
    UNATTRIBUTED: "#747474",
}

#: Fill pattern of each kind of call, so that it can be told without its colour.
KIND_PATTERN: dict[str, str] = {
    "sensor read": "",
    "actuator write": "/",
    "wait": "x",
    "compute": ".",
    "telemetry": "-",
    "pacing": "|",
    "other": "\\",
    UNATTRIBUTED: "+",
}

#: Bars and lines that stand for no kind of call.
NEUTRAL = "#3f7f93"
#: What is set back: typical loops, envelopes.
QUIET = "#858d96"
#: Budgets, limits, slow loops.
WARN = "#c4471a"
#: What was chosen.
MARK = "#9350e6"
BEFORE, AFTER = QUIET, NEUTRAL

#: Page colours by day and by night: ground, raised ground, ink, faint ink, lines, links.
LIGHT = {
    "ground": "#f6f7f3", "raised": "#ffffff", "ink": "#1d2329", "faint": "#545d66",
    "line": "#d7d9d4", "link": "#1d5d73", "warn": "#a33a0b",
}  # fmt: skip
DARK = {
    "ground": "#171b20", "raised": "#1f252b", "ink": "#e7e9ea", "faint": "#a9b2ba",
    "line": "#39424a", "link": "#7fc4d8", "warn": "#f29a6b",
}  # fmt: skip


def colour_of(kind: str) -> str:
    """Colour of a kind of call, or of what no call covers.

    Examples
    --------
    >>> colour_of("compute"), colour_of("something else") == colour_of("other")
    ('#169c67', True)
    """
    return KIND_COLOUR.get(kind, KIND_COLOUR["other"])


def pattern_of(kind: str) -> str:
    """Fill pattern of a kind of call.

    Examples
    --------
    >>> pattern_of("sensor read"), pattern_of("actuator write")
    ('', '/')
    """
    return KIND_PATTERN.get(kind, KIND_PATTERN["other"])


assert set(KINDS) | {UNATTRIBUTED} == set(KIND_COLOUR) == set(KIND_PATTERN)
