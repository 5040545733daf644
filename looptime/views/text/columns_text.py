"""What was understood of a log's columns, as text."""

from rich.console import RenderableType

from looptime.findings.about import with_options
from looptime.parsers.columns_taken import ColumnsTaken
from looptime.views.text.terminal import heading_line, safe, table
from looptime.views.text.text_parts import hanging, indented, labelled
from looptime.views.text.told import Told
from looptime.words import listed

__all__ = ["render_columns"]


def render_columns(found: ColumnsTaken) -> Told:
    """The answer in a sentence, the table of the columns, and why each is taken so."""
    rows = [
        [str(one.index + 1), safe(one.name or "-", 30), safe(one.sample, 20), one.taken_as,
         one.unit or "-", one.sure]
        for one in found.columns
    ]  # fmt: skip
    heads = ["", "column", "sample", "taken as", "unit", "sure"]
    why: list[RenderableType] = [heading_line("Why")]
    for one in found.columns:
        unit = f"; {one.unit}: {one.unit_from}" if one.unit and one.unit_from else ""
        why.append(hanging(f"  {one.index + 1:>3}  ", f"{one.why}{unit}"))
    change: tuple[RenderableType, ...] = ()
    if found.columns and found.columns[0].instead:
        line = with_options("looptime columns", [(found.path,), ("--write",)])
        text = (
            f"{line} begins a table in looptime.toml, in which a column is one of "
            f"{', '.join(_stated(found))}."
        )
        change = (heading_line("To change it"), hanging("  ", text))
    return Told(
        _answer(found),
        tables=((heading_line("Columns"), indented(table(heads, rows, left=(1, 2, 3, 4, 5)))),
                tuple(why), change),
        books=(labelled("log", found.path), labelled("loops", f"found by {found.loops_from}")),
    )  # fmt: skip


def _stated(found: ColumnsTaken) -> list[str]:
    """Every word that a column may be stated to be."""
    return list(dict.fromkeys(word for one in found.columns for word in one.instead))


def _answer(found: ColumnsTaken) -> str:
    """The answer in one sentence."""
    clock = next((one for one in found.columns if one.taken_as == "clock"), None)
    parts = [one for one in found.columns if one.taken_as.startswith("part")]
    said = [f"Read as {found.layout}: {found.row}"]
    if clock is not None:
        said.append(
            f"its clock is {safe(clock.name or f'column {clock.index + 1}', 30)!r} in {clock.unit}"
        )
    if found.stamped:
        said.append(f"stamped at the {found.stamped}")
    if parts:
        count = len(parts)
        said.append(f"{count} column{'s are parts' if count > 1 else ' is a part'} of the loop")
    unsure = found.unsure
    doubt = ""
    if unsure:
        names = [safe(one.name or f"column {one.index + 1}", 30) for one in unsure]
        doubt = f" Not certain: {listed(names, 4)}."
    return "; ".join(said) + "." + doubt
