"""A gate as Markdown, for a pull request or a team's notes."""

import re

from looptime.checks.compare.change import in_words
from looptime.checks.gate.gate import GateResult
from looptime.checks.gate.limits import Row
from looptime.views.text.change_text import amount
from looptime.views.text.terminal import count, in_full

__all__ = ["gate_markdown"]

_MARKUP = re.compile(r"([\\`*_{}\[\]#|~$])")
_HTML = {"<": "&lt;", ">": "&gt;", "&": "&amp;"}


def _text(value: object) -> str:
    r"""Text with text from a log in it: no markup, no HTML, no new lines, and not cut.

    Examples
    --------
    >>> _text("a|b <i>")
    'a\\|b &lt;i&gt;'
    """
    escaped = "".join(_HTML.get(c, c) for c in in_full(value))
    return _MARKUP.sub(r"\\\1", escaped)


def _row(row: Row) -> str:
    change = "" if row.change_percent is None else f"{in_words(row.change_percent, '+')} %"
    verdict = f"**{row.verdict}**" if row.verdict == "fail" else row.verdict
    cells = (
        row.check, _text(row.what), amount(row.value, row.unit), amount(row.limit, row.unit),
        change, verdict, _text(row.note),
    )  # fmt: skip
    return "| " + " | ".join(cells) + " |"


def gate_markdown(found: GateResult) -> str:
    """The gate's verdict, its table and its notes; text from logs is escaped."""
    heads = ("check", "what", "value", "limit", "change", "verdict", "note")
    lines = [f"## Timing gate: {found.verdict}", "", _text(found.sentence), ""]
    lines += [f"- new: {_text(f.source)}, {f.loops:,} loops" for f in found.new]
    if found.baseline:
        lines.append(f"- baseline: {count(len(found.baseline), 'run')}")
    lines += [f"- {_text(note)}" for note in found.notes]
    if found.rows:
        lines += ["", "| " + " | ".join(heads) + " |", "|---|---|--:|--:|--:|---|---|"]
        lines += [_row(row) for row in found.rows]
    return "\n".join(lines) + "\n"
