"""The command line: every command is a few lines over the Python API."""

from __future__ import annotations

import contextlib
import errno
import sys
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from looptime.cli_base import (
    FINE,
    INTERRUPTED,
    JSON,
    UNFORESEEN,
    UNUSABLE,
    CheckFailed,
    Text,
    cli,
    complain,
    each_log,
    print_json,
    reads_logs,
    remark,
    say_phases,
    show,
    silence,
    tell,
    whole_run,
)
from looptime.errors import LooptimeError, UsageError
from looptime.questions.doors import one_log

if TYPE_CHECKING:
    from looptime.analysers.together import Together
    from looptime.questions.asked import Asked
    from looptime.questions.timing import HeldTogether, LogSummary

#: What only whoever keeps the files can mend.
_NOT_OURS = {errno.EACCES, errno.EPERM, errno.EROFS, errno.ELOOP, errno.EIO, errno.ENOTDIR}
#: Logs up to this many are shown in full one after another.
_MOST_IN_FULL = 3

__all__ = ["cli", "run"]

cli.elsewhere = {
    name: f"looptime.cli_{module}"
    for module, names in {
        "checks": ("compare", "gate", "pit"), "control": ("control",), "season": ("season",),
        "models": ("heading", "plan"), "guide": ("explain", "guide", "help", "recorder"),
        "watch": ("watch",), "files": ("export", "report"),
    }.items()
    for name in names
}  # fmt: skip


def run(args: Sequence[str]) -> int:
    """Run the command line.

    Parameters
    ----------
    args : sequence of str
        Arguments after the program's name.

    Returns
    -------
    int
        0 fine; 1 a check failed; 2 unusable input or wrong use; 3 not enough evidence to say;
        4 an unforeseen error, 130 interrupted.
    """
    try:
        cli.main(args=list(args), prog_name="looptime", standalone_mode=False)
        sys.stdout.flush()
    except CheckFailed as verdict:
        return verdict.code
    except LooptimeError as error:
        return complain(str(error))
    except click.exceptions.Abort:
        complain("interrupted")
        return INTERRUPTED
    except KeyboardInterrupt:
        complain("interrupted")
        return INTERRUPTED
    except click.ClickException as error:
        where = getattr(error, "ctx", None)
        hint = f" (see {where.command_path} --help)" if where is not None else ""
        return complain(error.format_message().replace("\n", " ") + hint)
    except (BrokenPipeError, SystemExit):  # click leaves by the latter where the reader has gone
        silence(sys.stdout)
        return FINE
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            return complain(f"{str(error.filename)[:60]}...: no file has so long a name")
        if error.errno in _NOT_OURS and error.filename is not None:
            return complain(f"{error.filename}: {error.strerror}")
        # files of looptime's own say so themselves: see `looptime.files`
        if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            return _unforeseen()
        silence(sys.stdout)
        return complain(f"the output cannot be written: {error.strerror}: make room where it goes")
    except Exception:
        return _unforeseen()
    return FINE


def _unforeseen() -> int:
    import tempfile
    import traceback

    kind, trace = type(sys.exc_info()[1]).__name__, traceback.format_exc()
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="looptime-trace-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write(trace)
        complain(f"unforeseen error ({kind}); the trace is in {file.name}")
    except (OSError, ValueError):
        last = trace.strip().splitlines()[-3:]
        complain(f"unforeseen error ({kind}), and no trace could be kept: {' '.join(last)}")
    return UNFORESEEN


@cli.command()
@click.argument("logs", nargs=-1, required=True, metavar="LOG...")
@JSON
@click.option("--set-aside", "set_aside", metavar="FILE", help="Write the rows not used to FILE.")
@click.option(
    "--predict", is_flag=True, help="Rank findings by what the planner predicts (takes longer)."
)
@click.option("--draft-project", metavar="FILE", help="Write a looptime.toml to correct by hand.")
@reads_logs
def summary(
    asked: Asked,
    text: Text,
    logs: tuple[str, ...],
    as_json: bool,
    predict: bool,
    set_aside: str | None,
    draft_project: str | None,
) -> None:
    """How fast and even the loop is, and where its time goes."""
    from looptime.questions.timing import draft, held_together, together, write_rows_set_aside

    # as text, phases after the first have a line each
    good, entries = _ask_all(asked, logs, predict=predict, brief=not as_json)
    there = [one.log for one in good]
    if set_aside is not None:
        write_rows_set_aside(there, set_aside)
    if draft_project is not None:
        draft(there, draft_project)
        remark(f"{draft_project}: written; correct what is guessed, and keep it beside the robot "
               "code")  # fmt: skip
    beside = together([one.summaries[0] for one in good])
    held = held_together(asked, good) if len(good) > 1 else ()
    if as_json:
        extra: dict[str, Any] = {"together": beside} if beside is not None else {}
        extra |= {"threads": [one.to_dict() for one in held]} if held else {}
        said = [one if isinstance(one, dict) else one.to_dict() for one in entries]
        print_json(logs=said, **extra)
    elif good:
        _show_all(asked, text, good, held, beside)
    if len(good) < len(entries):
        raise CheckFailed(UNUSABLE)


def _show_all(
    asked: Asked,
    text: Text,
    good: Sequence[LogSummary],
    held: Sequence[HeldTogether],
    beside: Together | None,
) -> None:
    """Show logs as text: those that are threads of one run first and as one."""
    from looptime.views.text.summary_text import render_held, render_summary, render_together
    from looptime.views.text.terminal import plain

    paths = [one.log.path for one in good]
    known = {k for one in held if one.known_by is not None for k in one.places}
    for one in held:
        if not text.quiet:
            show(*render_held([paths[k] for k in one.places], one.known_by, asked.options))
        if one.known_by is not None:
            tell(
                asked,
                text,
                render_summary(one.as_one.log, one.as_one.summaries, one.as_one.phases_left),
            )
    rest = [one for k, one in enumerate(good) if k not in known]
    if beside is not None and not text.quiet and not known:
        show(*render_together(paths, [one.summaries[0] for one in good], beside))
    for log in rest if len(rest) <= _MOST_IN_FULL or text.quiet else ():
        if len(good) > 1:
            show("", plain(log.log.path, 200))
        tell(asked, text, render_summary(log.log, log.summaries, log.phases_left))
    if len(rest) > _MOST_IN_FULL or known:
        show("\nName one log to see it whole.")


def _ask_all(
    asked: Asked, logs: Sequence[str], **how: bool
) -> tuple[list[LogSummary], list[LogSummary | dict[str, Any]]]:
    """Read and summarise logs; also all of them, of a bad one what JSON says of it."""
    from looptime.questions.timing import summary_of_log

    entries: list[LogSummary | dict[str, Any]] = []
    for word in logs:
        for path, log in each_log(asked, word):
            try:
                if isinstance(log, LooptimeError):
                    raise log
                entries.append(summary_of_log(asked, log, **how))
            except LooptimeError as error:
                complain(str(error))
                entries.append({"path": path, "error": str(error)})
    return [one for one in entries if not isinstance(one, dict)], entries


@cli.command()
@click.argument("log")
@click.option(
    "--top", type=click.IntRange(1), metavar="N", help="Slow loops to show; else as many as fit."
)
@click.option(
    "--loop", "loop_number", type=int, metavar="N", help="Show loop N beside a typical one."
)
@click.option(
    "--delay-ms",
    type=float,
    metavar="MS",
    help="Tell how late a delay of MS fires that code looks at once a loop.",
)
@click.option(
    "--video-fps",
    type=float,
    metavar="F",
    help="Frames a second of a video, to find slow loops in it.",
)
@click.option("--sync", metavar="LOOP=FRAME", help="Frame of the video in which loop LOOP starts.")
@JSON
@reads_logs
def slow(
    asked: Asked,
    text: Text,
    log: str,
    top: int | None,
    loop_number: int | None,
    delay_ms: float | None,
    video_fps: float | None,
    sync: str | None,
    as_json: bool,
) -> None:
    """Which loops were slow, and what stretched in them."""
    from looptime.questions.timing import slow as ask
    from looptime.views.text.slow_text import (
        delay_sentence,
        render_delay,
        render_loop,
        render_slow,
    )

    run = whole_run(asked, log)
    at = ask(
        asked,
        run,
        top=top or 20,
        loop=loop_number,
        delay_ms=delay_ms,
        video_fps=video_fps,
        sync=sync,
    )
    found = at.summary
    if found.phase is not None:
        say_phases(asked, run, f"{found.phase} is shown; --phase NAME shows another")
    if as_json:
        print_json(**at.to_dict())
        return
    told = (
        render_slow(found, top, at.video) if at.detail is None
        else render_loop(at.detail, supposed=found.run.clock.supposed)
    )  # fmt: skip
    if at.delay is not None:
        told = replace(told, answer=f"{delay_sentence(at.delay)} {told.answer}")
    tell(asked, text, told)
    if at.delay is not None and not text.quiet:
        show(*render_delay(at.delay, found))


@cli.command()
@click.argument("log")
@click.option("--write", is_flag=True, help="Add it to looptime.toml, to correct by hand.")
@JSON
@reads_logs
def columns(asked: Asked, text: Text, log: str, write: bool, as_json: bool) -> None:
    """What the columns of a log are taken for, why, and what would change it."""
    from looptime.questions.stating import columns as ask
    from looptime.questions.stating import state_columns

    found = ask(asked, one_log(log))
    if write:
        remark(f"{state_columns(asked, found)}: the columns of this log are stated; correct them")
    if as_json:
        from looptime.views.files.json import columns_taken

        print_json(**columns_taken(found))
        return
    from looptime.views.text.columns_text import render_columns

    tell(asked, text, render_columns(found))


@cli.command()
@click.option("--wait/--no-wait", default=True, help="Wait for a key after each step (terminal).")
@click.option("--quiet", is_flag=True, help="The answer of each step alone.")
def tour(wait: bool, quiet: bool) -> None:
    """Walk through the whole job on the sample logs, one screen a step."""
    import time

    from looptime.samples import folder
    from looptime.views.text.terminal import command_line, heading_line
    from looptime.views.text.tour_text import STEPS

    began, waits = time.monotonic(), wait and sys.stdin.isatty() and sys.stdout.isatty()
    where = str(folder())
    show(
        "To type the steps yourself:",
        command_line(f'cd "{where}"' if " " in where else f"cd {where}"),
    )
    with contextlib.chdir(where):  # so that names of logs are short
        for number, step in enumerate(STEPS, 1):
            words = list(step.command)
            shown = " ".join(f'"{w}"' if " " in w else w for w in words)
            title = heading_line(f"{number} of {len(STEPS)}: {step.title}")
            show(title, step.why, command_line(f"$ looptime {shown}"), "")
            sys.stdout.flush()
            brief = ["--quiet"] if quiet and step.answers else []
            code = run([*words, *brief])
            if code in (UNUSABLE, UNFORESEEN, INTERRUPTED):
                raise CheckFailed(code)
            if waits and number < len(STEPS):
                click.pause("\n(any key for the next step, Ctrl-C to end) ")
    took = "" if waits else f" It took {time.monotonic() - began:.0f} s."
    show(f"\nThat was the tour.{took} Next: looptime LOG, with a log of your own.")


@cli.command()
@click.argument("folder", required=False)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address; any but the default shares, with a passphrase.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8060,
    show_default=True,
    help="Port; 0 takes a free one.",
)
@click.option("--no-browser", is_flag=True, help="Do not open a page.")
@click.option("--allow-upload", is_flag=True, help="Let others drop logs on a shared server.")
@click.option("--project", "project_file", metavar="FILE", help="Project file to use.")
def dashboard(
    folder: str | None,
    host: str,
    port: int,
    no_browser: bool,
    allow_upload: bool,
    project_file: str | None,
) -> None:
    """Look at the logs of a folder in a browser, offline and on this machine."""
    from looptime.project import Project, find_project

    try:
        from looptime_dashboards import serve
    except ImportError as error:
        raise UsageError(f"the dashboard is not installed ({error}): install looptime") from error
    found = project_file if project_file is not None else find_project(folder)
    serve(
        folder,
        host=host,
        port=port,
        open_browser=not no_browser,
        allow_upload=allow_upload,
        project=Project() if found is None else Project.load(found),
    )
