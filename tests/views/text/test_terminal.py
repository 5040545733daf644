"""Text for a terminal: nothing in a log steers it, numbers read well, any encoding will do."""

import io

import pytest
from rich.console import Console

from looptime.views.text.terminal import command_line, figure, number, plain, safe, show, table


@pytest.mark.parametrize(
    "bad",
    ["\x1b[31m", "\x07", "\r", "\n", "\x9b2J", "\u202e", "\u2028", "\u2066", "\ufeff", "\x00"],
)
def test_control_characters_are_replaced(bad):
    """Neither colours, bells, new lines nor turned directions get through."""
    shown = safe(f"gyro{bad}read")
    assert shown.startswith("gyro?")
    assert not set(shown) & {"\x1b", "\x9b", *bad} - set("[31m2J")


def test_long_text_is_cut_with_a_sign():
    """What is too long ends in dots and has the length that was asked for."""
    assert safe("x" * 100) == "x" * 57 + "..."
    assert safe("x" * 60) == "x" * 60


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (None, "-"), (float("nan"), "-"), (0, "0"), (0.0, "0"), (-0.0, "0"),
        (12.34, "12.3"), (1.0, "1.00"), (99.96, "100"), (9.996, "10.0"), (0.9996, "1.00"),
        (123456.7, "123457"), (-12.34, "-12.3"), (0.001234, "0.00123"),
        (0.00001234, "0.000012"), (1e-9, "0"), (-1e-9, "0"),
    ],
)  # fmt: skip
def test_numbers_have_three_digits_and_no_exponent(value, shown):
    """Rounding over a power of ten adds no digit; what is too small is 0, never -0."""
    assert number(value) == shown


def test_a_figure_without_interval_is_its_value():
    """An interval is shown only where both its ends are known."""
    assert figure(1.5, 1.25, 2) == "1.50 (1.25 to 2.00)"
    assert figure(1.5, None, 2) == "1.50"
    assert figure(None, None, None) == "-"


def printed(*parts, encoding="utf-8"):
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding, newline="\n")
    show(parts, stream)
    stream.flush()
    return raw.getvalue().decode(encoding)


def test_markup_in_a_log_has_no_meaning():
    """A name that looks like markup is shown as it stands, alone and in a table."""
    name = "[bold red]gyro[/] :robot: [link=x]y"
    assert name in printed(plain(name))
    assert name in printed(table(["call"], [[name]]))
    assert "[bold]x" in printed("[bold]x")


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii"])
def test_a_console_with_few_letters_shows_a_question_mark(encoding):
    """What the encoding lacks is replaced, nothing is raised."""
    shown = printed(plain("gyro \u4e2d.read"), table(["\u00b1"], [["\u2192"]]), encoding=encoding)
    assert "gyro ?.read" in shown


def test_output_that_is_piped_has_no_control_sequences():
    """Headings are bold in a terminal only."""
    from looptime.views.text.terminal import caution, heading_line

    shown = printed(heading_line("Pace"), caution("stop control in hand"))
    assert shown == "\nPace\ncaution: stop control in hand\n"


def test_numbers_stand_right_and_names_left():
    """The columns of a table line up."""
    lines = printed(table(["call", "ms"], [["a", "1.0"], ["bcd", "10.0"]])).splitlines()
    assert [line.rstrip() for line in lines] == ["call    ms", "a      1.0", "bcd   10.0"]


def test_lines_that_are_piped_end_with_their_text():
    """No blanks pad a line, whether it holds a table or a folded sentence."""
    shown = printed(table(["call", "ms"], [["a", "1"]], left=(0, 1)), plain("word " * 40, 300))
    assert shown == "\n".join(line.rstrip() for line in shown.split("\n"))
    assert len(shown.splitlines()) > 3


def test_a_command_stays_in_one_line():
    """What is meant to be copied is never broken, however long its paths are."""
    command = "> looptime plan " + "a folder/" * 30 + "log.csv"
    assert printed(command_line(command)) == command + "\n"


def narrow(part, width):
    out = io.StringIO()
    Console(file=out, width=width, color_system=None).print(part)
    return [line.rstrip() for line in out.getvalue().splitlines()]


def test_a_table_in_a_narrow_terminal_gives_names_their_own_lines():
    """No row is folded: columns are left out and named; names alone get lines of their own."""
    made = table(
        ["call", "kind", "ms"],
        [["drive.front_left.read", "read", "1.25"], ["", "", "10.0"], ["mast", "", ""]],
        left=(0, 1),
    )
    assert narrow(made, 40)[1] == "drive.front_left.read  read  1.25"
    assert narrow(made, 30) == [
        "call                     ms",
        "drive.front_left.read  1.25",
        "                       10.0",
        "mast",
        "left out, too narrow: kind",
    ]
    assert narrow(made, 24) == [
        "call",
        "  kind    ms",
        "drive.front_left.read",
        "  read  1.25",
        "        10.0",
        "mast",
    ]


def test_brackets_are_no_markup():
    """What stands in square brackets is shown as it is."""
    out = io.StringIO()
    show(["[bold]gyro[/bold] [link=x]read[/link] :gear:"], out)
    assert out.getvalue() == "[bold]gyro[/bold] [link=x]read[/link] :gear:\n"
