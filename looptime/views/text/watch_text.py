"""A running robot's loop on one screen."""

from collections.abc import Iterable

from rich.console import Group, RenderableType
from rich.text import Text

from looptime.analysers.live import Live
from looptime.views.text.strips import strip_lines
from looptime.views.text.terminal import in_full, number, safe
from looptime.views.text.text_parts import percent

__all__ = ["live_line", "render_live"]

_NEWEST = 6


def live_line(at: Live, broken: Iterable[str] = ()) -> str:
    """What is known by now in one line, for what is no terminal.

    Examples
    --------
    >>> from looptime.analysers.live import Tally
    >>> live_line(Tally().live())
    'no loop yet'
    """
    if not at.loops:
        return "no loop yet"
    text = (
        f"{number(at.seconds)} s: {number(at.rate_hz['now'])} loops a second, p50 "
        f"{number(at.p50_ms['now'])} ms, p99 {number(at.p99_ms['now'])} ms in the last 10 s; "
        f"p99 {number(at.p99_ms['run'])} ms in all; {_over(at)}"
    )
    if at.long:
        last = at.long[-1]
        text += f"; last long loop {last.loop}: {number(last.ms)} ms"
        text += f" ({safe(last.cause, 40)})" if last.cause else ""
    bad = list(broken)
    return text + (f"; BROKEN: {', '.join(bad)}" if bad else "")


def render_live(
    at: Live, source: str, told: str = "", broken: Iterable[str] = (), encoding: str | None = None
) -> RenderableType:
    """What is known by now, on one screen; what breaks a limit is red and says so."""
    bad = set(broken)
    if not at.loops:
        return Group(Text(f"{safe(source, 200)}: waiting for the first loops"), Text(in_full(told)))
    red = "bold red" if bad else "bold"
    first = Text(f"{number(at.rate_hz['now'])} loops a second", style=red)
    if bad:
        first.append(f"  BROKEN: {', '.join(sorted(bad))}")
    lines: list[RenderableType] = [first]
    for word, key in (("last 10 s", "now"), ("the run", "run")):
        style = "red" if bad and key == "run" else ""
        lines.append(Text(
            f"  {word:<10} p50 {number(at.p50_ms[key]):>6} ms   p99 {number(at.p99_ms[key]):>6} ms"
            f"   longest {number(at.max_ms[key]):>6} ms   {number(at.rate_hz[key])} a second",
            style=style,
        ))  # fmt: skip
    lines.append(Text(f"  {at.loops:,} loops in {number(at.seconds)} s; {_over(at)}"))
    for text in strip_lines(at.start_s, at.period_ms, encoding):
        lines.append(Text(f"  {text}", no_wrap=True))
    for one in reversed(at.long[-_NEWEST:]):
        cause = f"  {safe(one.cause, 40)}" if one.cause else ""
        lines.append(Text(f"  loop {one.loop} at {number(one.at_s)} s: {number(one.ms)} ms{cause}"))
    lines.append(Text(in_full(f"  {source}" + (f": {told}" if told else "")), style="dim"))
    return Group(*lines)


def _over(at: Live) -> str:
    if at.over is None or at.over_share is None:
        return "no budget stated (--budget-ms)"
    return f"{at.over:,} ({percent(at.over_share)}) over budget"
