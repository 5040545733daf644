"""The pages: each module has a `body` that says what a view looks like there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from looptime_dashboards.desk import Desk
from looptime_dashboards.pages import (
    changes,
    costs,
    heading,
    logs,
    pace,
    readiness,
    sides,
    slow,
)
from looptime_dashboards.view import View

__all__ = ["PAGES", "Page"]


@dataclass(frozen=True)
class Page:
    """One page.

    Parameters
    ----------
    path, title : str
        Its address and its name.
    body : callable
        From desk and view to its parts, and whether better figures are on their way.
    needs_run : bool
        Whether it is about a run.
    has_loop : bool
        Whether a chosen loop is shown below it.
    """

    path: str
    title: str
    body: Callable[[Desk, View], tuple[list[Any], bool]]
    needs_run: bool = True
    has_loop: bool = False


PAGES = (
    Page("/", "Pace", pace.body, has_loop=True),
    Page("/costs", "Where time goes", costs.body, has_loop=True),
    Page("/slow", "Slow loops", slow.body, has_loop=True),
    Page("/changes", "Changes", changes.body),
    Page("/sides", "Before and after", sides.body),
    Page("/heading", "Heading", heading.body),
    Page("/readiness", "Readiness", readiness.body),
    Page("/logs", "Logs", logs.body, needs_run=False),
)
