"""Before and after: whether the loop got slower or faster, and what did it."""

from __future__ import annotations

from typing import Any

from dash import html

from looptime_dashboards.desk import Desk
from looptime_dashboards.pages.common import used
from looptime_dashboards.view import View

__all__ = ["body"]


def body(desk: Desk, view: View) -> tuple[list[Any], bool]:
    """The page, and whether better figures are on their way."""
    at, sampled = desk.summary(view)
    return [used(at, sampled), html.P("Choose the runs before.")], sampled
