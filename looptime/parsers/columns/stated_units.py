"""Units that remarks and titles above the rows state of columns, by name or of all, in words."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from looptime.parsers.columns.column_words import counted_from
from looptime.parsers.columns.lexicon import may_be_part, meaning
from looptime.parsers.columns.role import ABOVE, EITHER
from looptime.parsers.columns.stated_lengths import far_too_short, lengths_in, longer_than_loops
from looptime.parsers.columns.stated_words import Said, is_kind, say, short
from looptime.parsers.columns.unit import LONGEST_NS, SHORTEST_NS, is_plausible
from looptime.parsers.columns.unit_fit import SLOWEST_NS, fit_of, loop_ns, means_of, step_of
from looptime.parsers.text.dialect import Dialect, holds_numbers, is_missing
from looptime.units import NS_PER_S, UNITS, split_unit

__all__ = ["in_stated_units"]

_SETTLE = "a unit in its name in the header, or --unit for the clock, would settle it"
_SLOW = "in the unit said of {0} above the rows, {1}, a loop lasts {2:.3g} s: check it"
_TOO_SHORT = (
    "the unit said above the rows of {}, {}, makes them next to nothing of the loop, and is not "
    "taken: is it {}? A unit in their names in the header would settle it"
)


def in_stated_units(
    dialect: Dialect,
    above: Sequence[str],
    beside: Sequence[str] = (),
    cautions: list[str] | None = None,
) -> Dialect:
    r"""The columns of a log in the units that lines above its rows state, where they say none.

    Columns that are named have the unit that is said of them. A unit of all, of the rest, of the
    times or of the durations is that of columns which may be such by their names and values.

    Parameters
    ----------
    dialect : Dialect
        Of the log.
    above : sequence of str
        Lines above the rows that may state units.
    beside : sequence of str
        Other lines there, which may tell from where on columns are counted.
    cautions : list of str, or None
        Grows by what was stated and not taken, and by what is taken and looks wrong.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{k},{900 + k % 7},12.{k % 2}\n" for k in range(60))
    >>> like = sniff("lp,t_gy,u\n" + rows, "a.csv")
    >>> in_stated_units(like, ["cart 3 - times in us"]).header
    ('lp', 't_gy [us]', 'u')
    >>> in_stated_units(like, ["# t_gy: ms; u: volts"]).header
    ('lp', 't_gy [ms]', 'u')
    """
    if not dialect.header:
        return dialect
    cautions = [] if cautions is None else cautions
    keys = any(line.lstrip().startswith("{") for line in above)  # which name no column of the rows
    asked = replace(dialect, header=tuple(
        "" if (keys or is_kind(name)) and all(is_missing(row[at]) for row in dialect.sample)
        else name
        for at, name in enumerate(dialect.header)
    ))  # fmt: skip
    if (doubted := _doubted(dialect, asked, cautions)) is not None:
        return doubted
    said = _counted(asked, [short(line) for line in above], [short(line) for line in beside],
                    cautions)  # fmt: skip
    told = _of_kinds(asked, said, cautions)
    header = asked.header or ()
    units = {name: unit for name, unit in (told | said.named).items() if unit}
    made = tuple(
        f"{name} [{units[named]}]" if named in units and not split_unit(name)[1] else name
        for name, named in zip(dialect.header, header, strict=True)
    )
    if made == dialect.header:
        return dialect
    laid = {new: EITHER if name in told and may_be_part(name) else ABOVE
             for name, new in zip(dialect.header, made, strict=True) if new != name}  # fmt: skip
    return replace(dialect, header=made, said_above=laid)


def _of_kinds(dialect: Dialect, said: Said, cautions: list[str]) -> dict[str, str]:
    """Units of columns that are not named, by what is said of the clock, of lengths, of all."""
    header = dialect.header or ()
    open_ = [at for at, name in enumerate(header)
             if name and name not in said.named and not split_unit(name)[1]]  # fmt: skip
    clocks = [at for at in open_ if means_of(dialect, at) == "clock"]
    if unit := said.unit_of(["clock"]):
        said.tell(dict.fromkeys([header[at] for at in clocks], unit))
        clocks = []
    _leave_misfits(dialect, said, cautions)
    unit = said.unit_of(["rest", "lengths", "all", "times"])
    told = _lengths(dialect, open_, unit, said.named)
    kinds = ["rest", "times", "all"] if said.named else ["times", "all"]
    of_clock: dict[str, str] = {}
    if own := said.unit_of(kinds):
        for at in clocks:
            of_clock |= _of_clock(dialect, at, own, told, cautions)
    if of_clock:  # which says how long a loop is that lengths are held against
        told = _lengths(dialect, open_, unit, said.named | of_clock)
    if other := far_too_short(dialect, told, said.named | of_clock):
        cautions.append(_TOO_SHORT.format(", ".join(told), unit, other))
        told = {}
    return told | of_clock


def _lengths(
    dialect: Dialect, open_: Sequence[int], unit: str, named: Mapping[str, str]
) -> dict[str, str]:
    """The unit of the columns that are the lengths that it is said of; empty without one."""
    places = lengths_in(dialect, open_, unit, named) if unit else []
    return {(dialect.header or ())[at]: unit for at in places}


def _doubted(dialect: Dialect, asked: Dialect, cautions: list[str]) -> Dialect | None:
    """The columns without the unit that a remark gave all, where it makes parts nearly nothing."""
    header, given = dialect.header or (), dialect.head[0] if dialect.head else ()
    if len(given) != len(header):
        return None
    laid = {name: unit for name, own in zip(header, given, strict=True)
            if not split_unit(own)[1] and meaning(name) == "duration"
            and (unit := split_unit(name)[1]) and name == f"{own} [{unit}]"}  # fmt: skip
    other = far_too_short(asked, laid, {}) if len(set(laid.values())) == 1 else ""
    if not other:
        return None
    names = ", ".join(split_unit(name)[0] for name in laid)
    cautions.append(_TOO_SHORT.format(names, next(iter(laid.values())), other))
    bare = (own if name in laid else name for name, own in zip(header, given, strict=True))
    return replace(dialect, header=tuple(bare))


def _of_clock(
    dialect: Dialect, at: int, unit: str, told: dict[str, str], cautions: list[str]
) -> dict[str, str]:
    """The unit of all that is the clock's, too; none where the loop or its lengths speak against.

    They do where they would last longer than the loop, or would be next to nothing of it.
    """
    name, lasts = (dialect.header or ())[at], step_of(dialect, at) * UNITS[unit]
    if not holds_numbers(dialect):  # rows may be calls, with several in a loop
        return {name: unit} if _plausible(dialect, at, unit) else {}
    if fit_of(dialect, at, unit, None) in ("fits", "unknown"):
        return {name: unit}
    if (
        SHORTEST_NS <= lasts < SLOWEST_NS
        and not longer_than_loops(dialect, told, lasts)
        and not far_too_short(dialect, told, {name: unit})
    ):
        if lasts > LONGEST_NS:
            cautions.append(_SLOW.format(name, unit, lasts / NS_PER_S))
        return {name: unit}
    cautions.append(f"the unit said of all times above the rows, {unit}, is not taken for {name}: "
                    f"a loop would last {lasts / 1e6:.3g} ms; {_SETTLE}")  # fmt: skip
    return {}


def _plausible(dialect: Dialect, at: int, unit: str) -> bool:
    return is_plausible(np.array([step_of(dialect, at)]), UNITS[unit])


def _counted(dialect: Dialect, above: list[str], beside: list[str], cautions: list[str]) -> Said:
    """What lines state, with columns counted from 1 or 0: as they tell, or as fits the loop."""
    header = dialect.header or ()
    uncounted = say(above, header, None)
    ways = {base: say(above, header, base) for base in (1, 0)}
    numbered = {base: said.placed - uncounted.placed for base, said in ways.items()}
    if not (numbered[0] or numbered[1]):
        return ways[1]
    told = counted_from([*above, *beside], header)
    if len(told) == 1:
        return ways[told.pop()]
    for base, said in ways.items() if not told else ():
        if numbered[base] and _all_fit(dialect, said, numbered[base]):
            return said
    both = {name for base in ways for name in numbered[base]}
    uncounted.named.update(dict.fromkeys(both - {*uncounted.named}, ""))
    cautions.append(
        "lines above the rows number columns, and whether from 0 or from 1 can't be told: no unit "
        "is taken from them; put the units into the header, or name the columns (--columns)"
    )
    return uncounted


def _all_fit(dialect: Dialect, said: Said, names: set[str]) -> bool:
    """Whether columns have one unit each, which fits them."""
    header, loop = dialect.header or (), loop_ns(dialect, said.named)
    units = {name: said.named.get(name, "") for name in names}
    return not names & said.torn and all(
        split_unit(name)[1] in (None, "", unit)
        and fit_of(dialect, header.index(name), unit, loop) == "fits"
        for name, unit in units.items() if unit
    )  # fmt: skip


def _leave_misfits(dialect: Dialect, said: Said, cautions: list[str]) -> None:
    """Take no unit of which there are two for a column, or in which it can be none of the loop."""
    header = dialect.header or ()
    for name in sorted(said.torn, key=header.index):
        said.named[name] = ""
        cautions.append(f"lines above the rows say two units of {name}: none is taken")
    loop = loop_ns(dialect, said.named)
    for at, name in enumerate(header):
        unit = said.named.get(name)
        if not unit or split_unit(name)[1]:
            continue
        placed, fit = name in said.placed, fit_of(dialect, at, unit, loop)
        clock = means_of(dialect, at) == "clock"
        refused = clock and not _plausible(dialect, at, unit)
        lasts = step_of(dialect, at) * UNITS[unit] if clock else 0.0
        kept = refused or (clock and not holds_numbers(dialect))
        if LONGEST_NS < lasts < SLOWEST_NS and not (placed or kept):
            own = {one: split_unit(one)[1] or said.named.get(one, "") for one in header}
            units = {one: unit for one, unit in own.items() if unit}
            kept = not longer_than_loops(dialect, units, lasts)
            cautions += [_SLOW.format(name, unit, lasts / NS_PER_S)] if kept else []
        if fit == "none" and (placed or not kept):
            said.named[name] = ""
            what = "does not fit the loop, and is not taken"
        elif fit == "another" and (placed or clock):
            what = "is far from what is usual beside the loop: check it"
        else:
            continue
        cautions.append(f"the unit said of {name} above the rows, {unit}, {what}")
