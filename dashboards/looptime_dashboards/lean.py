"""Pages with as few live components as can be: what never changes by itself is sent as text.

Dash compares every component of a page with every other at each change, so that the cells of a
few tables alone take half a second. A table or a list of links needs none of that. It is sent as
escaped HTML in an attribute, and assets/looptime.js puts it in place.
"""

from collections.abc import Iterable
from typing import Any

from dash import html
from dash.development.base_component import Component

from looptime.views.files.html import Markup, element, together

__all__ = ["Part", "field", "file_field", "lean", "markup"]

#: What a page consists of.
Part = Component | str | int | float | None

_HTML = "dash_html_components"
_PLACE = "data-markup"
_SPELT = {"className": "class", "htmlFor": "for", "tabIndex": "tabindex", "colSpan": "colspan",
          "key": "data-key", "encType": "enctype"}  # fmt: skip
_HOLDER = "still"
_FIGURE = "data-figure"


def lean(parts: Iterable[Part]) -> list[Part]:
    """The same page with each stretch that is HTML and no more in one holder.

    Parameters
    ----------
    parts : iterable of components, text or None
        A page, or what a component holds.

    Returns
    -------
    list
        Holders, and components that live or hold one that does.

    Examples
    --------
    >>> lean([html.P("a < b"), html.P("c", className="faint")])
    [Div(className='still', data-markup='<p>a &lt; b</p><p class="faint">c</p>')]
    """
    made: list[Part] = []
    still: list[str] = []

    def hold() -> None:
        if still:
            attributes: dict[str, Any] = {_PLACE: "".join(still)}
            made.append(html.Div(className=_HOLDER, **attributes))
            still.clear()

    for part in parts:
        if not isinstance(part, Component) or not _lives(part):
            still.append(markup(part))
            continue
        hold()
        if _is_html(part):
            part.children = lean(_children(part))
        made.append(part)
    hold()
    return made


def field(name: str, value: str, **more: str) -> Part:
    """A field of a form for one line of text, as a holder.

    Parameters
    ----------
    name, value : str
        Its name in the page's address, and what stands in it.
    **more : str
        What the browser checks it by: ``type``, ``min``, ``max``, ``step``, ``required``.
    """
    return _input(**{"type": "text", "autocomplete": "off", "name": name, "value": value, **more})


def file_field() -> Part:
    """The field that takes a file, as a holder."""
    return _input(type="file", id="file", name="log")


def _input(**given: str) -> Part:
    attributes: dict[str, Any] = {_PLACE: element("input", **given)}
    return html.Div(className=_HOLDER, **attributes)


def markup(part: Part) -> Markup:
    """A component that is HTML and no more as escaped HTML.

    Examples
    --------
    >>> markup(html.A("</a>", href='"x"', tabIndex=0))
    '<a href="&quot;x&quot;" tabindex="0">&lt;/a&gt;</a>'
    """
    if part is None or isinstance(part, bool):
        return Markup("")
    if isinstance(part, list | tuple):
        return together(*map(markup, part))
    if not isinstance(part, Component):
        return together(str(part))
    given = part.to_plotly_json()
    if _PLACE in given["props"]:
        return Markup(given["props"][_PLACE])
    if given["namespace"] != _HTML:
        raise TypeError(f"{given['type']} lives: it is no HTML")
    attributes = {
        _SPELT.get(name, name): _spelt(name, value)
        for name, value in given["props"].items()
        if name != "children"
    }
    return element(given["type"].lower(), markup(given["props"].get("children")), **attributes)


def _spelt(name: str, value: Any) -> object:
    if name == _FIGURE:  # JSON, in which there is nothing but plain characters
        return Markup(value.replace("&", "&amp;").replace("'", "&#39;"))
    if name == "style" and value is not None:
        return ";".join(f"{k}:{v}" for k, v in value.items())
    return value


def _lives(part: Part) -> bool:
    if not isinstance(part, Component):
        return False
    return not _is_html(part) or any(_lives(inner) for inner in _children(part))


def _is_html(part: Component) -> bool:
    return bool(part._namespace == _HTML)


def _children(part: Component) -> list[Part]:
    inner = getattr(part, "children", None)
    if inner is None:
        return []
    return list(inner) if isinstance(inner, list | tuple) else [inner]
