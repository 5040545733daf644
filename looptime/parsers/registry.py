"""Which layout a log has: every layout says whether it fits, and one must."""

from __future__ import annotations

from types import ModuleType

from looptime.errors import LogError, UsageError
from looptime.parsers import calls, stamps
from looptime.parsers.columns import Head, heads
from looptime.parsers.dialect import Dialect
from looptime.parsers.rows import Options

__all__ = ["choose"]

#: Layouts in the order of how much they say; the first that fits is taken.
_MODULES: tuple[ModuleType, ...] = (calls, stamps)


def choose(dialect: Dialect, options: Options, path: str) -> tuple[ModuleType, dict[str, Head]]:
    """The layout of a log and the parts that its columns play.

    Raises
    ------
    LogError
        If no layout fits, with what was tried.
    """
    header = dialect.header
    if header is None:
        header = ("time", *("" for _ in range(dialect.fields - 1)))
    found = heads(header[: dialect.fields])
    tried = []
    for module in _MODULES:
        if options.layout not in (None, module.NAME):
            continue
        tried.append(module.NAME)
        given = module.fit(found, dialect)
        if given is not None:
            return module, given
    if not tried:
        raise UsageError(f"layout {options.layout!r} is not known")
    shown = ", ".join(repr(h.text) for h in found[:8])
    raise LogError(
        f"the columns {shown} fit no layout ({', '.join(tried)} tried): name them with --columns",
        path,
        dialect.header_line or 1,
    )
