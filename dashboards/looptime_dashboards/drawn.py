"""What a browser is told to draw a figure for: a page, a narrow page, a picture to send."""

import textwrap
from typing import Any

from looptime.views.figures.picture import text_in_plot

__all__ = ["drawn", "narrow", "sent"]

Layout = dict[str, Any]

#: Width of a figure on a phone, and of a letter of its smaller type [px].
_NARROW_PX, _LETTER_PX = 340, 6
_SMALL, _SMALLER = 11, 0.83
_SENT_PX, _SENT_LETTERS, _LINE_PX = 1100, 120, 22


def drawn(figure: dict[str, Any], title: str) -> dict[str, Any]:
    """A figure with what of its layout is otherwise where it is narrow, and where it is sent."""
    given = figure["layout"]
    return {**figure, "narrow": narrow(given), "png": sent(given, title)}


def narrow(given: Layout) -> Layout:
    """What of a layout is otherwise on a phone: smaller type, and less room for labels.

    Examples
    --------
    >>> axes = {"xaxis": {"title": {"text": "time in the run (s)"}}, "yaxis": {"title": {}}}
    >>> made = narrow({"font": {}, "margin": {"l": 72, "r": 24}, **axes})
    >>> made["font"], made["margin"]
    ({'size': 11}, {'l': 72, 'r': 21})
    >>> axes["xaxis2"] = {"title": {"text": "dragged (mm a metre)"}, "domain": [0.68, 0.98]}
    >>> narrow({"font": {}, "margin": {"l": 72, "r": 24}, **axes})["xaxis2"]["title"]
    {'text': 'dragged (mm<br>a metre)', 'font': {'size': 11}}
    """
    margin = dict(given["margin"])
    if given["yaxis"].get("ticktext"):
        margin["l"] = 8 + round(_SMALLER * (margin["l"] - 14))
    margin["r"] = round(0.87 * margin["r"])
    letters = (_NARROW_PX - margin["l"] - margin["r"]) // _LETTER_PX
    made: Layout = {"font": {**given["font"], "size": _SMALL}, "margin": margin}
    for name in filter(_is_axis, given):
        title = {**given[name]["title"], "font": {"size": _SMALL}}
        if name.startswith("x"):
            low, high = given[name].get("domain") or (0.0, 1.0)  # of several beside each other
            room = max(int(letters * (high - low)), 12)
            title["text"] = "<br>".join(textwrap.wrap(title.get("text", ""), room))
        made[name] = {**given[name], "title": title}
    return made


def _is_axis(name: str) -> bool:
    return name.startswith(("xaxis", "yaxis"))


def sent(given: Layout, title: str) -> Layout:
    """What of a layout is otherwise in a picture to send: its title, and the page's own ink."""
    lines = textwrap.wrap(title, _SENT_LETTERS)
    more = 20 + _LINE_PX * len(lines)
    made: Layout = {
        name: {k: v for k, v in value.items() if k != "gridcolor"}
        for name, value in given.items() if _is_axis(name)
    }  # fmt: skip
    said = "<br>".join(map(text_in_plot, lines))
    return {
        **made,
        "width": _SENT_PX, "height": given["height"] + more, "autosize": False,
        "font": {k: v for k, v in given["font"].items() if k != "color"},
        "margin": {**given["margin"], "t": given["margin"]["t"] + more},
        "title": {"text": said, "font": {"size": 16}, "x": 0, "xref": "paper", "xanchor": "left",
                  "y": 1, "yref": "container", "yanchor": "top", "pad": {"t": 14},
                  "automargin": False},
    }  # fmt: skip
