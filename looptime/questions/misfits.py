"""Names in the project file that fit nothing in a log: a slip of the pen, or another robot's."""

from collections.abc import Collection, Iterator

from looptime.errors import near
from looptime.globs import Globs
from looptime.project import Project
from looptime.records import dataclass
from looptime.words import listed

__all__ = ["Misfit", "misfits", "misfits_text"]

#: Keys that may be meant for other logs are told where a call of nearly their name is there that no
#: other key means; those of the heading, which stand there once, in any case.
_RULE, _NEEDED = "[[call]] match", "[heading]"
#: How alike that name is, and how many misfits are told one by one.
_ALIKE, _TOLD = 0.7, 2


@dataclass(frozen=True)
class Misfit:
    """A key of the project file that names a call, and no call of the log is meant."""

    key: str  #: As ``[heading] read_call``
    name: str  #: The call, or the glob, that it names
    near: str | None  #: A call of the log that may be meant, and that no such key means

    @property
    def text(self) -> str:
        """The key, its value, and what may be meant.

        Examples
        --------
        >>> Misfit("[[call]] match", "driv.*", "drive.write").text
        "[[call]] match 'driv.*' (nearest: 'drive.write')"
        """
        meant = "" if self.near is None else f" (nearest: {self.near!r})"
        return f"{self.key} {self.name!r}{meant}"


def misfits(project: Project, names: Collection[str]) -> tuple[Misfit, ...]:
    """The keys that name calls of which some logs hold none; none where these hold no calls.

    Parameters
    ----------
    project : Project
        What a team states.
    names : collection of str
        The calls of the logs, all together.

    Examples
    --------
    >>> from looptime.project import CallRule, Heading, Project
    >>> project = Project(calls=(CallRule("driv.*"),), heading=Heading("gyro.raed"))
    >>> for one in misfits(project, ["gyro.read", "drive.write"]):
    ...     print(one.text)
    [[call]] match 'driv.*' (nearest: 'drive.write')
    [heading] read_call 'gyro.raed' (nearest: 'gyro.read')
    >>> misfits(project, []), misfits(project, ["drive.write", "driv.a", "gyro.raed"])
    ((), ())
    """
    return tuple(_found(project, sorted(set(names)))) if names else ()


def _found(project: Project, names: list[str]) -> Iterator[Misfit]:
    """Key by key: of `[[call]]` a rule is fit where it alone would label a call."""
    globs = [rule.match for rule in project.calls]
    whole = Globs(globs)
    free = [name for name in names if whole.first(name) is None]
    for glob in dict.fromkeys(globs):
        one = Globs([glob])
        if all(one.first(name) is None for name in names):
            yield Misfit(_RULE, glob, near(glob, free, _ALIKE))
    stated = list(_stated(project))
    meant = {word for _, name in stated for word in _words(name)}
    free = [name for name in names if name not in meant]
    for key, name in stated:
        if not any(word in names for word in _words(name)):
            found = (near(word, free, _ALIKE) for word in _words(name))
            yield Misfit(key, name, next(filter(None, found), None))


def _words(name: str) -> list[str]:
    """The calls of which the first that a log has is meant."""
    return [word.strip() for word in name.split("|")]


def _stated(project: Project) -> Iterator[tuple[str, str]]:
    """Every other key that names a call, and the call."""
    for key in ("read_call", "pickup_call", "use_call"):
        if name := getattr(project.heading, key):
            yield f"[heading] {key}", name
    for section, tables in (("controller", project.controllers), ("wheel", project.wheels)):
        for table in tables:
            for key in ("read_call", "write_call"):
                if name := getattr(table, key):
                    yield f"[[{section}]] {table.name} {key}", name
    for name in project.limits.get("call", {}):
        yield "[limits] call", name


def misfits_text(found: Collection[Misfit], project: Project, needs: str = "") -> str:
    """What is said of them beside an answer; empty where they look meant for other logs.

    Parameters
    ----------
    found : collection of Misfit
        As `misfits` finds them.
    project : Project
        What the team states.
    needs : str
        The section that the answer needs, if any: its keys come first, and all of them.

    Examples
    --------
    >>> from looptime.project import CallRule
    >>> one, other = Misfit("[[call]] match", "driv.*", "drive.write"), Misfit("a", "mast", None)
    >>> misfits_text([one, other], Project()).partition(": ")[0]
    'looptime.toml names what no call of this log fits'
    >>> misfits_text([other], Project())
    ''
    >>> misfits_text([Misfit(_RULE, "mast", None)], Project(calls=(CallRule("mast"),)))[-21:]
    "[[call]] match 'mast'"
    """
    rules = [one for one in found if one.key == _RULE]
    none_fits = len(rules) == len({rule.match for rule in project.calls})
    told = [one for one in found if one.near is not None or one.key.startswith(_NEEDED)]
    if none_fits and rules and rules[0] not in told:
        told = [rules[0], *told]
    if not told:
        return ""
    needed = [one for one in told if needs and one.key.startswith(needs)]
    told = [*needed, *(one for one in told if one not in needed)]
    shown = listed([one.text for one in told], max(_TOLD, len(needed)))
    return f"looptime.toml names what no call of this log fits: {shown}"
