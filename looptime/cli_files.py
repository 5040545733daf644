"""The commands that write a file: the report, and the tables of a log."""

from pathlib import Path

import click

from looptime import __version__
from looptime.cli_base import (
    UNUSABLE,
    CheckFailed,
    Text,
    cli,
    complain,
    each_log,
    options_text,
    read,
    reads_logs,
    show,
)
from looptime.errors import LooptimeError, UsageError
from looptime.questions.asked import Asked
from looptime.questions.doors import one_log

__all__ = ["export", "report"]


@cli.command()
@click.argument("logs", nargs=-1, required=True, metavar="LOG...")
@click.option("--out", required=True, metavar="FILE.html", help="The file to write.")
@click.option("--pdf", metavar="FILE.pdf", help="Print it too, through a Chromium on this machine.")
@click.option("--title", default="", help="Heading of the report.")
@reads_logs
def report(
    asked: Asked, text: Text, logs: tuple[str, ...], out: str, pdf: str | None, title: str
) -> None:
    """One file to print or send: figures, tables, findings, cautions."""
    from looptime.questions.reporting import against_first, report_on
    from looptime.views.files.report import write_report

    if Path(out).suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"--out {out}: a report is HTML: name it .html (--pdf prints one besides)")
    good, errors = [], []
    for _, log in (each for word in logs for each in each_log(asked, word)):
        try:
            if isinstance(log, LooptimeError):
                raise log
            good.append(report_on(asked, log, options_text(asked)))
        except LooptimeError as error:
            complain(str(error))
            errors.append(str(error))
    if not good:
        raise CheckFailed(UNUSABLE)
    written = write_report(
        good,
        out,
        title=title,
        version=__version__,
        errors=errors,
        project=str(asked.project.path or ""),
        against=against_first(asked, good),
    )
    show(str(written))
    if pdf is not None:
        from looptime.views.files.pdf import print_pdf

        show(str(print_pdf(written, pdf)))
    if errors:
        raise CheckFailed(UNUSABLE)


@cli.command()
@click.argument("log")
@click.option("--out", required=True, metavar="FILE", help="FILE.parquet or FILE.csv.")
@reads_logs
def export(asked: Asked, log: str, out: str) -> None:
    """Write the loops and calls of a log as a table for notebooks and other tools.

    Units are in the column names; `looptime` reads the file again as a log.
    """
    from looptime.questions.timing import export as write

    write(asked, read(asked, one_log(log)), out)
    show(str(out))
