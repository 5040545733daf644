"""The command that follows a log while the robot runs."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from looptime.cli_base import FAILED, JSON, CheckFailed, Text, cli, reads_logs, remark
from looptime.errors import UsageError
from looptime.questions.asked import Asked

if TYPE_CHECKING:
    from looptime.questions.watching import Live, Watch

__all__ = ["watch"]

#: A log that has not grown for so long is said to stand still [s].
_STILL_S = 2


@cli.command()
@click.argument("word", metavar="FILE|FOLDER|-")
@click.option("--limits", is_flag=True, help="Hold the loops against [limits]; exit 1 if broken.")
@click.option("--for", "for_s", type=float, metavar="S", help="End after S seconds.")
@JSON
@reads_logs
def watch(
    asked: Asked, text: Text, word: str, limits: bool, for_s: float | None, as_json: bool
) -> None:
    """Follow a log that grows: rate, p50, p99, and what makes loops long, each second.

    A file over a mounted folder, the newest log of a folder, or - for what is piped in. Ctrl-C
    ends it. With --limits, exit 1 if a limit on periods or overruns was broken.
    """
    from looptime.questions.watching import broken_limits
    from looptime.questions.watching import watch as ask

    if limits and not asked.project.limits:
        raise UsageError("--limits: looptime.toml states none: give it a [limits] table")
    at = ask(asked, word)
    if at.path != word:
        passed = f"; no loop can be read in {at.passed}, which is newer" if at.passed else ""
        remark(f"following {at.path}, the newest log of the folder{passed}")
    end = None if for_s is None else time.monotonic() + for_s
    known = asked.project.limits if limits else {}
    broken: tuple[str, ...] = ()

    def told(found: Live) -> tuple[str, ...]:
        nonlocal broken
        broken = broken_limits(found, known)
        return broken

    _each_second(at, end, told, as_json, text.quiet)
    if broken:
        raise CheckFailed(FAILED)


def _each_second(
    at: Watch, end: float | None, judge: Callable[[Live], tuple[str, ...]], as_json: bool,
    quiet: bool,
) -> None:  # fmt: skip
    """Look once a second until there is nothing more, the time is over or somebody ends it."""
    from rich.live import Live as Screen

    from looptime.views.text.terminal import console
    from looptime.views.text.watch_text import live_line, render_live

    out = console()
    screen = Screen(console=out, auto_refresh=False) if out.is_terminal and not as_json else None
    if screen is not None:
        screen.start()
    seen, since = -1, time.monotonic()
    try:
        while True:
            found, told = at.look()
            if found.loops != seen:
                seen, since = found.loops, time.monotonic()
            still = int(time.monotonic() - since)
            if still >= _STILL_S and not at.ended:
                told = "; ".join([*([told] if told else []), f"nothing new for {still} s"])
            bad = judge(found)
            over = at.ended or (end is not None and time.monotonic() >= end)
            if screen is not None:
                encoding = sys.stdout.encoding
                screen.update(render_live(found, at.path, told, bad, encoding), refresh=True)
            elif as_json:
                document = {**found.to_dict(), "broken": list(bad), "told": told or None}
                print(json.dumps(document), flush=True)
            elif over or not quiet:
                print(live_line(found, bad) + (f" ({told})" if told else ""), flush=True)
            if over:
                return
            time.sleep(1.0 if end is None else max(min(1.0, end - time.monotonic()), 0.0))
    except KeyboardInterrupt:
        return
    finally:
        if screen is not None:
            screen.stop()
