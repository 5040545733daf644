"""The checklist before a round as text, one screen."""

from rich.console import RenderableType
from rich.text import Text

from looptime.checks.gate.checklist import Checklist
from looptime.views.text.terminal import in_full
from looptime.views.text.text_parts import hanging, labelled
from looptime.views.text.told import Told, why

__all__ = ["render_pit"]

#: A word and a sign: the sign alone would not do on every console.
_STATES = {"ok": "[ok]", "bad": "[NO]", "not judged": "[--]"}


def render_pit(at: Checklist) -> Told:
    """The checklist: ready or not, the next action, a line for each check."""
    lines: list[RenderableType] = [Text("")]
    lines += [
        hanging(f"  {_STATES[one.state]} {one.what:<9} ", in_full(one.text)) for one in at.checks
    ]
    command = at.action if at.action.startswith("looptime ") else ""
    reason = "" if command or not at.action else f"next: {at.action}"
    books = (labelled("gate", in_full(at.gate.sentence)),)
    return Told(at.sentence, why(reason, command), (tuple(lines),), (), books)
