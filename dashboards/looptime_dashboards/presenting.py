"""A page to be shown to many: its figures alone, one at a time, in big type."""

from collections.abc import Iterable, Iterator

from dash import html

from looptime.views.text.terminal import count
from looptime_dashboards.lean import Part
from looptime_dashboards.parts import choice, note

__all__ = ["one_by_one"]


def one_by_one(parts: Iterable[Part]) -> list[Part]:
    """The figures of a page, of which the window holds one; arrow keys lead to the others."""
    found = list(_figures(parts))
    words = f"{count(len(found), 'figure')}; arrow keys go on, Escape ends"
    bar = html.Div([html.Span(words, className="faint"), " ",
                    choice("end the presentation", False, present="")],
                   className="presenting screen", key="presenting")  # fmt: skip
    return [bar, *(found or [note("There is no figure on this page yet.")])]


def _figures(parts: Iterable[Part]) -> Iterator[Part]:
    """The cards that hold a figure, however deep they lie."""
    for part in parts:
        inner = getattr(part, "children", None)
        inside = inner if isinstance(inner, list | tuple) else [inner]
        if any(getattr(one, "className", "") == "plot" for one in inside):
            yield part
        elif inner is not None:
            yield from _figures(inside)
