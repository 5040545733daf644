"""The pages: each module has a `body` that says what a view looks like there."""

from collections.abc import Callable
from dataclasses import dataclass

from looptime_dashboards.desk import Desk
from looptime_dashboards.lean import Part
from looptime_dashboards.pages import (
    call_page,
    changes_page,
    columns_page,
    control_page,
    costs_page,
    heading_page,
    live_page,
    logs_page,
    pace_page,
    readiness_page,
    runs_page,
    sides_page,
    slow_page,
)
from looptime_dashboards.view import View

__all__ = ["PAGES", "Page"]


@dataclass(frozen=True)
class Page:
    """One page."""

    #: Its address and its name.
    path: str
    title: str
    #: From desk and view to its parts, and whether better figures are on their way.
    body: Callable[[Desk, View], tuple[list[Part], bool]]
    needs_run: bool = True  #: Whether it is about a run
    has_loop: bool = False  #: Whether a chosen loop is shown below it
    each_ms: int = 0  #: How often it is renewed by itself unless it is held; 0 for never
    linked: bool = True  #: Whether it stands among the pages at the top; else others lead to it


PAGES = (
    Page("/", "Pace", pace_page.body, has_loop=True),
    Page("/costs", "Where time goes", costs_page.body, has_loop=True),
    Page("/call", "One call", call_page.body, has_loop=True, linked=False),
    Page("/slow", "Slow loops", slow_page.body, has_loop=True),
    Page("/changes", "Changes", changes_page.body),
    Page("/sides", "Before and after", sides_page.body),
    Page("/runs", "Several runs", runs_page.body, needs_run=False),
    Page("/heading", "Heading", heading_page.body),
    Page("/control", "Controllers", control_page.body),
    Page("/readiness", "Readiness", readiness_page.body),
    Page("/columns", "Columns", columns_page.body, linked=False),
    Page("/live", "Live", live_page.body, needs_run=False, each_ms=1000),
    Page("/logs", "Logs", logs_page.body, needs_run=False),
)
