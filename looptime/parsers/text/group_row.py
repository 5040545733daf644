"""A row of groups above the names of the columns: what it says of the columns below it."""

from looptime.length_groups import of_lengths
from looptime.units import split_unit, word_unit

__all__ = ["under_groups"]


def under_groups(groups: tuple[str, ...], names: tuple[str, ...]) -> tuple[str, ...] | None:
    """Names with those of the groups above them, where these say more; None where they are none.

    A group stands above its first column, and above the others again or not at all. It is put
    before a name where it names lengths of time or their unit, where a unit alone stands below it,
    and where the same name stands below another group as well. Of a group in which names say their
    unit of time it says nothing of the others.

    Examples
    --------
    >>> under_groups(("", "Durations", "", "Pose", ""), ("t", "imu", "bus", "x", "y"))
    ('t', 'Durations.imu', 'Durations.bus', 'x', 'y')
    >>> under_groups(("time", "took (ms)", "took (ms)"), ("s", "imu", "bus"))
    ('time [s]', 'imu [ms]', 'bus [ms]')
    >>> under_groups(("", "front", "", "rear", ""), ("t_s", "read_ms", "deg", "read_ms", "deg"))
    ('t_s', 'front.read_ms', 'front.deg', 'rear.read_ms', 'rear.deg')
    >>> under_groups(("Run of the tray carrier", "", ""), ("t", "imu", "bus")) is None
    True
    """
    groups = groups[: len(names)] + ("",) * (len(names) - len(groups))
    if all(groups) and len(set(groups)) == len(groups):
        return None  # names of columns themselves
    above: list[str] = []
    for at, group in enumerate(groups):
        above.append(group if group or not at else above[-1])
    if len(set(filter(None, above))) < 2 and of_lengths(f"{split_unit(above[-1])[0]}.x") is None:
        return None
    pairs = list(zip(above, names, strict=True))
    in_unit = {group for group, name in pairs[1:] if split_unit(name)[1]}
    told = tuple(
        name if group in in_unit and names.count(name) == 1 and not split_unit(name)[1]
        and split_unit(group)[1] is None and not word_unit(name)
        else _told(group, name, names) for group, name in pairs
    )  # fmt: skip
    return told if told != names else None


def _told(group: str, name: str, names: tuple[str, ...]) -> str:
    """The name of one column with what its group says of it."""
    if not group or not name:
        return name
    stem, unit = split_unit(group)
    if unit is None and word_unit(name) and split_unit(name)[1] is None:
        return f"{group} [{name}]"
    if of_lengths(f"{stem}.{name}") is None:
        return f"{group}.{name}" if names.count(name) > 1 else name
    if unit and names.count(name) == 1:
        return name if split_unit(name)[1] else f"{name} [{unit}]"
    return f"{group}.{name}"
