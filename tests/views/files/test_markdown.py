"""The gate's table as Markdown."""

from looptime.views.files.markdown import gate_markdown


def test_markdown_is_inert(failed):
    """Text from a log neither breaks the table nor becomes HTML."""
    text = gate_markdown(failed)
    assert text.startswith("## Timing gate: fail\n")
    rows = [line for line in text.splitlines() if line.startswith("| ")]
    assert len(rows) == len(failed.rows) + 1
    assert all(line.replace("\\|", "").count("|") == 8 for line in rows)
    assert "<b>" not in text
    assert "\x1b" not in text
