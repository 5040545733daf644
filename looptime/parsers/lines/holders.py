"""Tables of who has something from when on, brought to events of a lock."""

from collections.abc import Sequence

from looptime.parsers.columns.evidence import wordy
from looptime.parsers.columns.lexicon import tokens
from looptime.parsers.lines.cell_rows import table_grid
from looptime.parsers.lines.grid import Grid
from looptime.parsers.text.dialect import Dialect, is_missing

__all__ = ["by_holders"]

#: What stands where nobody has it, beside an empty cell.
_NOBODY = frozenset(("none", "nobody", "no one", "free", "released", "idle", "unlocked", "0"))
#: Words of headers that name who has something.
_OWNERS = frozenset(("owner", "holder", "held", "taken", "locked", "owned", "used"))
#: Rows that are asked, the fewest, and the share of them that take and give back in turn.
_FIRST, _FEWEST, _IN_TURN = 2000, 20, 0.9


def by_holders(lines: list[str], like: Dialect) -> Grid | None:
    r"""Rows that say who takes a lock and, without a name, that it is given back, as events.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = (f"{20 * k},loop,i2c0\n{20 * k + 3},,i2c0" for k in range(12))
    >>> lines = ["t_ms,owner,resource", *"\n".join(rows).split("\n")]
    >>> grid = by_holders(lines, sniff("\n".join(lines), "a.csv"))
    >>> grid.names
    ['t_ms', 'thread', 'event', 'lock']
    >>> grid.rows[1:3]
    [['0', 'loop', 'acquired', 'i2c0'], ['3', 'loop', 'released', 'i2c0']]
    """
    found = _columns(like)
    if found is None:
        return None
    time, who, what = found
    table = table_grid(lines, like)
    grid = Grid(lines, headers=table.headers, aside=table.aside)
    for name in (table.names[time], "thread", "event", "lock"):
        grid.column(name)
    has: dict[str, str] = {}
    first = next(row[who] for row in like.sample if not _nobody(row[who]))
    for row in table.rows:
        if row is None:
            grid.rows.append(None)
            continue
        lock = row[what] if what >= 0 else "lock"
        free = _nobody(row[who])
        holder = has.get(lock, first) if free else row[who]
        has[lock] = holder
        grid.rows.append([row[time], holder, "released" if free else "acquired", lock])
    return grid


def _columns(like: Dialect) -> tuple[int, int, int] | None:
    """Places of the time, of who has something and of what it is, -1 where there is but one."""
    rows, fields = like.sample[:_FIRST], like.fields
    if like.header is None or fields not in (2, 3) or len(rows) < _FEWEST:
        return None
    words = [at for at in range(fields) if wordy(like, at)]
    who = [at for at in words if any(_nobody(row[at]) for row in rows)]
    if len(words) != fields - 1 or len(who) != 1:
        return None
    time = next(at for at in range(fields) if at not in words)
    what = next((at for at in words if at not in who), -1)
    owners = {row[who[0]] for row in rows if not _nobody(row[who[0]])}
    named = not _OWNERS.isdisjoint(tokens(like.header[who[0]]))
    if not named and (what < 0 or len(owners) < 2):
        return None
    return (time, who[0], what) if _in_turn(rows, who[0], what) else None


def _in_turn(rows: Sequence[Sequence[str]], who: int, what: int) -> bool:
    """Whether each lock is taken and given back in turn, in nearly all rows."""
    taken: dict[str, bool] = {}
    turns = 0
    for row in rows:
        lock, free = row[what] if what >= 0 else "", _nobody(row[who])
        turns += taken.get(lock, not free) != (not free) or lock not in taken
        taken[lock] = not free
    return turns >= _IN_TURN * len(rows)


def _nobody(cell: str) -> bool:
    return is_missing(cell) or cell.strip().lower() in _NOBODY
