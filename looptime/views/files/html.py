"""HTML: text escaped, numbers readable, data embedded so that no log can break out of it."""

import html as _html
import json
import re
from collections.abc import Iterable, Sequence
from typing import Any

from looptime.analysers.estimate import plain_value
from looptime.views.figures.picture import Picture
from looptime.views.text.terminal import in_full, number, safe

__all__ = ["Markup", "cell_text", "csv_cell", "csv_text", "data_json", "element", "escape",
           "picture_table", "table", "together"]  # fmt: skip

# longest text of an element, and of a cell that is kept in one line
_LONGEST, _SHORT = 50_000, 16
_VOID = {"br", "hr", "img", "input", "meta"}
_NUMBER = re.compile(r"[-+<]?[\d.,]+( %)?( to [-+]?[\d.,]+)?")
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "|", "%")


def escape(text: object, longest: int | None = None) -> str:
    r"""Text from anywhere as it may stand in HTML, in an attribute too.

    Examples
    --------
    >>> escape('<script>"x"</script>')
    '&lt;script&gt;&quot;x&quot;&lt;/script&gt;'
    >>> escape("right\u202eleft")
    'right?left'
    """
    shown = in_full(text) if longest is None else safe(text, longest)
    return _html.escape(shown, quote=True)


def data_json(data: Any) -> str:
    r"""JSON that may stand inside a script element: nothing in it can end that element.

    Examples
    --------
    >>> data_json({"name": "</script>"})
    '{"name": "\\u003c/script\\u003e"}'
    """
    text = json.dumps(data, allow_nan=False)
    for char, code in (("<", "\\u003c"), (">", "\\u003e"), ("&", "\\u0026"),
                       ("\u2028", "\\u2028"), ("\u2029", "\\u2029")):  # fmt: skip
        text = text.replace(char, code)
    return text


def cell_text(value: Any) -> str:
    """A table's cell as text: numbers to four digits, counts in full, a dash for nothing.

    Examples
    --------
    >>> cell_text(12.34567), cell_text(1234567), cell_text(None), cell_text("gyro")
    ('12.35', '1,234,567', '-', 'gyro')
    """
    value = plain_value(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value is None:
        return "-"
    if isinstance(value, int):
        return f"{value:,}"
    if isinstance(value, float):
        return number(value, 4)
    return in_full(value)


class Markup(str):
    """Text that is HTML already: `element` and `together` leave it as it is."""

    __slots__ = ()


def together(*parts: object) -> Markup:
    """Pieces of HTML and of text as HTML, one after the other.

    Examples
    --------
    >>> together(element("b", "x"), " < y")
    '<b>x</b> &lt; y'
    """
    return Markup("".join(p if isinstance(p, Markup) else escape(p, _LONGEST) for p in parts))


def element(tag: str, *inner: object, **attributes: object) -> Markup:
    """An element; what it holds is escaped unless it is HTML already.

    Parameters
    ----------
    tag : str
        One that holds nothing, such as ``br``, gets no end.
    *inner
        Text, numbers and `Markup`.
    **attributes
        By name, with ``_`` for ``-``, one at the end left out; True stands for the name alone,
        None and False for none. `Markup` stands as it is between single quotes.

    Examples
    --------
    >>> element("p", "a < b", element("br"), "c", class_="note", data_x=1, hidden=True, id=None)
    '<p class="note" data-x="1" hidden>a &lt; b<br>c</p>'
    """
    named = "".join(
        f" {key}"
        if value is True
        else f" {key}='{value}'"
        if isinstance(value, Markup)
        else f' {key}="{escape(value, _LONGEST)}"'
        for name, value in attributes.items()
        for key in [name.rstrip("_").replace("_", "-")]
        if value is not None and value is not False
    )
    end = "" if tag in _VOID else f"{together(*inner)}</{tag}>"
    return Markup(f"<{tag}{named}>{end}")


def table(
    heads: Sequence[str],
    rows: Iterable[Sequence[object]],
    caption: str = "",
    most: int = 500,
    class_: str | None = None,
) -> Markup:
    """A table; numbers stand to the right. Rows beyond `most` are counted, not shown."""
    kept = list(rows)
    shown = kept[:most]
    right = [_numbers([row[k] for row in shown if k < len(row)]) for k in range(len(heads))]
    head = [element("th", h, scope="col", class_="n" if r else None)
            for h, r in zip(heads, right, strict=True)]  # fmt: skip
    kinds = ["n" if r else None for r in right]
    body = [
        element(
            "tr", *(_cell(cell_text(value), kind) for value, kind in zip(row, kinds, strict=False))
        )
        for row in shown
    ]
    title = [element("caption", caption)] if caption else []
    made = element("table", *title, element("thead", element("tr", *head)),
                   element("tbody", *body), class_=class_)  # fmt: skip
    wide = element(
        "div", made, class_="wide", tabindex="0", role="region", aria_label=caption or "table"
    )
    if len(kept) <= most:
        return wide
    return together(wide, element("p", f"{len(kept) - most:,} more rows are not shown here."))


def _cell(text: str, kind: str | None) -> Markup:
    """A cell; a short one is kept in one line."""
    return element("td", text, class_=kind or ("k" if len(text) <= _SHORT else None))


def _numbers(values: Sequence[object]) -> bool:
    """Whether a column holds numbers, or nothing but text that is one."""
    if any(isinstance(v, int | float) and not isinstance(v, bool) for v in values):
        return True
    said = [v for v in values if v not in (None, "", "-")]
    return bool(said) and all(isinstance(v, str) and _NUMBER.fullmatch(v) for v in said)


def picture_table(picture: Picture) -> Markup:
    """The table alternative of a figure."""
    return table(picture.heads, picture.rows, picture.title)


def csv_cell(value: Any) -> str:
    r"""A cell of an exported table; text that a spreadsheet would take for a formula is quoted.

    Examples
    --------
    >>> csv_cell("=1+1"), csv_cell(-1.5), csv_cell("a,b"), csv_cell(None)
    ("'=1+1", '-1.5', '"a,b"', '')
    """
    value = plain_value(value)
    if value is None:
        return ""
    if isinstance(value, int | float):
        return repr(value)
    text = safe(value, 10_000)
    if text.lstrip()[:1] in _FORMULA:
        text = "'" + text
    if any(c in text for c in ',"\n\r;'):
        text = '"' + text.replace('"', '""') + '"'
    return text


def csv_text(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    r"""A table as CSV.

    Examples
    --------
    >>> csv_text(("call", "ms"), [("gyro.read", 2.5)])
    'call,ms\r\ngyro.read,2.5\r\n'
    """
    lines = [",".join(csv_cell(v) for v in row) for row in [tuple(heads), *rows]]
    return "\r\n".join(lines) + "\r\n"
