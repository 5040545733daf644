"""HTML: text escaped, numbers readable, data embedded so that no log can break out of it."""

from __future__ import annotations

import html as _html
import json
from collections.abc import Iterable, Sequence
from typing import Any

from looptime.analysers.estimate import plain_value
from looptime.views.figures.picture import Picture
from looptime.views.text.terminal import number, safe

__all__ = ["cell_text", "csv_cell", "csv_text", "data_json", "element", "escape", "picture_table",
           "table"]  # fmt: skip

_LONGEST = 400
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "|", "%")


def escape(text: object, longest: int = _LONGEST) -> str:
    r"""Text from anywhere as it may stand in HTML, in an attribute too.

    Examples
    --------
    >>> escape('<script>"x"</script>')
    '&lt;script&gt;&quot;x&quot;&lt;/script&gt;'
    >>> escape("right\u202eleft")
    'right?left'
    """
    return _html.escape(safe(text, longest), quote=True)


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
    return safe(value, _LONGEST)


def table(
    heads: Sequence[str], rows: Iterable[Sequence[Any]], caption: str = "", most: int = 500
) -> str:
    """A table; numbers stand to the right. Rows beyond `most` are counted, not shown."""
    kept = list(rows)
    shown = kept[:most]
    right = [any(_is_number(row[k]) for row in shown if k < len(row)) for k in range(len(heads))]
    head = "".join(
        f'<th scope="col"{" class=n" if r else ""}>{escape(h)}</th>'
        for h, r in zip(heads, right, strict=True)
    )
    body = "".join(
        "<tr>" + "".join(_cell(v, r) for v, r in zip(row, right, strict=False)) + "</tr>"
        for row in shown
    )
    more = ""
    if len(kept) > most:
        more = f"<p>{len(kept) - most:,} more rows are not shown here.</p>"
    title = f"<caption>{escape(caption)}</caption>" if caption else ""
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(caption or "table")}">'
        f"<table>{title}<thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table></div>{more}"
    )


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _cell(value: Any, right: bool) -> str:
    kind = " class=n" if right else ""
    return f"<td{kind}>{escape(cell_text(value))}</td>"


def picture_table(picture: Picture) -> str:
    """The table alternative of a figure."""
    return table(picture.heads, picture.rows, picture.title)


def element(tag: str, content: str, **attributes: str) -> str:
    """An element with text as its content.

    Examples
    --------
    >>> element("p", "a < b", class_="note")
    '<p class="note">a &lt; b</p>'
    """
    named = "".join(f' {k.rstrip("_")}="{escape(v)}"' for k, v in attributes.items())
    return f"<{tag}{named}>{escape(content, 4000)}</{tag}>"


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


def csv_text(heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    r"""A table as CSV.

    Examples
    --------
    >>> csv_text(("call", "ms"), [("gyro.read", 2.5)])
    'call,ms\r\ngyro.read,2.5\r\n'
    """
    lines = [",".join(csv_cell(v) for v in row) for row in [tuple(heads), *rows]]
    return "\r\n".join(lines) + "\r\n"
