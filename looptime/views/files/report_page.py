"""The frame of the report: its style for screen and paper, and the few lines of script in it."""

from importlib import resources

from looptime.views.figures.palette import DARK, LIGHT
from looptime.views.text.terminal import safe

__all__ = ["header_style", "script", "style", "variables"]

_LONGEST = 90


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


def header_style(name: str) -> str:
    r"""What makes every printed page begin with a name, whatever characters it holds.

    Examples
    --------
    >>> header_style('a"}')
    '@page{@top-left{content:"a\\22 \\7d "}}'
    """
    shown = safe(name, _LONGEST)
    text = "".join(c if c.isascii() and (c.isalnum() or c in " ._-:,") else f"\\{ord(c):x} "
                   for c in shown)  # fmt: skip
    return f'@page{{@top-left{{content:"{text}"}}}}'


def script() -> str:
    """The script that draws the figures and exports them."""
    return _text("report.js")


def _text(name: str) -> str:
    return resources.files("looptime.views.files").joinpath(name).read_text(encoding="utf-8")
