"""Columns of a list in a line whose unit stands once, bare, behind the last: ``imu=2 arm=5 ms``."""

from collections.abc import Collection

from looptime.parsers.columns.add_up import printed
from looptime.parsers.columns.against_steps import Steps, fits
from looptime.parsers.columns.bare_columns import glides
from looptime.parsers.columns.lexicon import may_be_part
from looptime.parsers.columns.role import IN_LIST, IN_NO_LIST, MAYBE, Role, Seen

__all__ = ["in_list"]


def in_list(
    seen: list[Seen], alone: Collection[int], roles: dict[int, Role], steps: Steps
) -> dict[int, Role]:
    """Columns of which nothing else is known: parts in the unit of their list, or doubted aloud.

    They are likely parts where all of the list may be lengths that are written alike, end with a
    part, are new ones in each row, and fit into the loop together. A reading may as well stand
    before a length: where any of this does not hold, or no loop's length is known, can't tell.

    Parameters
    ----------
    seen : list of Seen
        All columns.
    alone : collection of int
        Those whose values tell by themselves what they are.
    roles : dict of int to Role
        What they are taken for so far.
    steps : Steps
        Of the clock.
    """
    listed = [at for at, one in enumerate(seen) if one.listed_ns is not None and not one.unit_ns]
    may = [at for at in listed if roles[at].taken_as == "signal" and _may_be_part(seen[at])]
    open_ = [at for at in may if at not in alone]
    below = Role("signal", None, "", IN_NO_LIST, "unsure")
    made = {at: below for at in may if (seen[at].values < 0).any()}
    if not open_:
        return made
    ends = [at for at, r in roles.items() if r.taken_as == "part" and seen[at].unit_ns]
    units = {seen[at].listed_ns or 0 for at in listed} | {seen[at].unit_ns or 0 for at in ends}
    digits = {printed(seen[at].values) for at in [*open_, *ends]}
    parts = [at for at, r in roles.items() if r.taken_as == "part" and r.unit_ns]
    known = [seen[at].values * (roles[at].unit_ns or 1) for at in parts]
    unit = max(units)
    alike = len(units) == 1 and len(digits) == 1 and bool(ends) and bool(unit)
    of_list = alike and {*listed} <= {*open_, *parts} and not any(
        glides(seen[at].values) for at in open_)  # fmt: skip
    if not of_list or not steps.known or not fits(seen, open_, unit, steps, known):
        return made | dict.fromkeys(open_, Role("signal", None, "", MAYBE, "unsure"))
    unit_from = f"as {seen[ends[0]].name}, the last of its list"
    return dict.fromkeys(open_, Role("part", unit, unit_from, IN_LIST, "likely"))


def _may_be_part(one: Seen) -> bool:
    return one.meaning == "bare" or (one.meaning == "signal" and may_be_part(one.name))
