"""The frame of the report: its style for screen and paper, and the few lines of script in it."""

from __future__ import annotations

from importlib import resources

from looptime.views.figures.palette import DARK, LIGHT

__all__ = ["script", "style", "variables"]


def variables(colours: dict[str, str]) -> str:
    """Page colours as declarations of a style sheet.

    Examples
    --------
    >>> variables({"ink": "#000000"})
    '--ink:#000000;'
    """
    return "".join(f"--{name}:{value};" for name, value in colours.items())


def style() -> str:
    """The report's style sheet, by day and by night."""
    dark = f":root{{color-scheme:dark;{variables(DARK)}}}"
    return (
        f":root{{color-scheme:light;{variables(LIGHT)}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{{dark}}}\n{_text('report.css')}"
    )


def script() -> str:
    """The script that draws the figures and exports them."""
    return _text("report.js")


def _text(name: str) -> str:
    return resources.files("looptime.views.files").joinpath(name).read_text(encoding="utf-8")
