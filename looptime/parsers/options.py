"""How the caller wants a log read."""

from looptime.records import dataclass
from looptime.stated_columns import StatedColumns

__all__ = ["Options"]


@dataclass(frozen=True)
class Options:
    """Of reading, what the command line and the project say."""

    #: As on the command line; None where the log is to speak for itself.
    unit: str | None = None
    layout: str | None = None
    columns: str | None = None
    loop_call: str | None = None
    #: Who gave the unit, and the call that begins a loop: ``option`` or ``project``.
    unit_from: str = "option"
    loop_call_from: str = "option"
    by: str | None = None  #: Column whose values are senders of their own
    #: Whether rows are stamped at the ``start`` or the ``end`` of their loops.
    stamped: str | None = None
    rate_hz: float | None = None  #: How often the loop runs, where the log does not say
    #: What the project says of the columns of logs with certain headers.
    stated: tuple[StatedColumns, ...] = ()
