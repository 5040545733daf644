"""The dashboard: look at logs in a browser, on the machine where they are."""

from looptime_dashboards.serving import serve

__all__ = ["serve"]
