"""Units of angles and turn rates that comments above the rows state for all columns."""

import re
from collections.abc import Sequence

from looptime.parsers.text.dialect import LONGEST_REMARK
from looptime.signal_names import quantity_of

__all__ = ["in_stated_angles", "stated_angles"]

#: Words of a comment about the columns' units; anything else may tell of a turn that was made.
_OF_UNITS = re.compile(
    r"\b(?:units?|si|einheit(?:en)?|unidades|unités?|unità|angles?|angular|headings?|rates?|winkel"
    r"|all|alles?|everything)\b", re.IGNORECASE,
)  # fmt: skip
#: A unit of an angle, of no number before it, and whether it is a second's.
_ANGLE = re.compile(
    r"(?<![\w.°])(?<!\d[\s-])(?:(?P<deg>deg(?:rees?)?|°)|(?P<rad>rad(?:ians?)?))"
    r"(?P<rate>\s*(?:/|per|p|_)\s*s(?:ec(?:onds?)?)?|\s+s\^?-1)?(?![a-z])|\b(?P<short>[dr]ps)\b",
    re.IGNORECASE,
)
#: A sensor that gives turn rates: its bare name is no heading.
_GYRO = re.compile(r"gyro|imu|\bw", re.IGNORECASE)
_SI = re.compile(r"\bSI\b")


def stated_angles(remarks: Sequence[str]) -> tuple[str | None, str | None]:
    """Unit of an angle and of a turn rate that remarks state; None where they state none or two.

    Examples
    --------
    >>> stated_angles(["# SI units: s, rad, rad/s"]), stated_angles(["# all angles in degrees"])
    (('rad', 'rad/s'), ('deg', None))
    >>> stated_angles(["# turned 90 deg to the left"]), stated_angles(["# all 90-degree turns"])
    ((None, None), (None, None))
    """
    angles: set[str] = set()
    rates: set[str] = set()
    for line in (one[:LONGEST_REMARK] for one in remarks):
        if not _OF_UNITS.search(line):
            continue
        for at in _ANGLE.finditer(line):
            short = (at["short"] or "").lower()
            unit = "rad" if at["rad"] or short == "rps" else "deg"
            (rates if at["rate"] or short else angles).add(unit)
        if _SI.search(line):
            angles, rates = angles or {"rad"}, rates or {"rad"}
    angle, rate = (next(iter(units)) if len(units) == 1 else None for units in (angles, rates))
    return angle, None if rate is None else f"{rate}/s"


def in_stated_angles(header: tuple[str, ...], remarks: Sequence[str]) -> tuple[str, ...]:
    """A header in which angles and turn rates without a unit have the one that remarks state.

    Examples
    --------
    >>> in_stated_angles(("t", "theta", "omega", "mast"), ["# SI units: s, rad, rad/s"])
    ('t', 'theta [rad]', 'omega [rad/s]', 'mast')
    """
    angle, rate = stated_angles(remarks)
    return tuple(_with_unit(name, angle, rate) for name in header)


def _with_unit(name: str, angle: str | None, rate: str | None) -> str:
    plain = quantity_of(name)
    if plain is not None and plain.unit is not None:
        return name
    kinds = ("heading_deg", "turn_rate_deg_s") if plain is None else (plain.name,)
    for kind in kinds:
        unit = angle if kind == "heading_deg" else rate
        found = None if unit is None else quantity_of(f"{name} [{unit}]")
        if found is None or found.name != kind:
            continue
        if plain is not None or kind != "heading_deg" or not _GYRO.search(name):
            return f"{name} [{unit}]"
    return name
