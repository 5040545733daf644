"""The gate's table as Markdown."""

from dataclasses import replace

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


def test_what_is_to_be_done_is_not_cut(failed):
    """A note of 60 sentences ends as it ends; a name that no line holds is cut for itself."""
    note = "Record the tray lift again. " * 60 + "x" * 900 + " and see whether it waits."
    (line,) = [row for row in gate_markdown(replace(failed, notes=(note,))).splitlines()
               if row.startswith("- Record")]  # fmt: skip
    assert line.count("again.") == 60
    assert line.endswith("x... and see whether it waits.")
    assert len(line) < 2000
