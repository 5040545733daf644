"""Commands with options that nobody meant, on logs that nobody planned."""

import contextlib
import io
import json
import os
import re
from pathlib import Path

import click
import numpy as np

import looptime
from looptime import cli
from looptime.errors import LooptimeError
from tests.properties.mutated import ODD, mutated
from tests.properties.semantic import PARTS, SHAPES, make

Rng = np.random.Generator

#: Commands that wait for somebody, show a page or start processes.
_NOT_PLAYED = ("dashboard", "watch", "tour", "help")
#: Words that some option understands, and some that none does.
WORDS = (
    *PARTS, "drive.*", "*", "[", "batch drive.*", "thread gyro.read rest-ms=5", "every gyro* ms=50",
    "on-change drive.write share=0.7", "move gyro.read bus=aux", "cap odometry ms=1", "pace hz=50",
    "later gyro.read before=drive.*", "scale odometry by=0.5", "even",
    "log shape", "as recorded", "scaled", "steady:90", "turn:90,120,480", "turn:1e9,1,1",
    "recorded", "good.csv", "fixed:20", "measured", "loop", "arc", "mid", "trapezoid", "none",
    "p95", "max", "3", "0", "-1", "1e-9", "1e308", "nan", "inf", "heading=90", "heading!=90", "x=y",
    "time_us,name,skip", "skip", "a,b,c,d,e,f", "name,start_us,duration_us", "thread", "heading",
    "out", "out.csv", "out.parquet", "out.html", "out.xml", "nowhere/x.csv", ".", "", "auto", "5,7",
    "robot = 'x'", "version=3", "2026-02-03", "2026-02-03T10:00:00Z", "yesterday", "mean",
)  # fmt: skip
_LOGS = ("x.csv", "good.csv", "good.csv", "good.csv", ".", "looptime.toml", "nowhere.csv", "season")
_NUMBERS = (1, 2, 3, 5, 20, 50, 0.5, 2.5, 0, -1, 1e-9, 1e12, "nan", "inf", "x")
#: What each option is for; other options and other values come from the words above.
MEANT = {
    "loop_call": PARTS, "where": ("heading!=90", "heading=90.5"), "by": ("thread", "loop"),
    "columns": ("name,start_us,duration_us", "loop,time_us,heading", "section,duration_us"),
    "motion": ("steady:90", "turn:90,120,480", "weave:20,0.5", "recorded"), "seed": (1, 2),
    "pattern": ("even", "log shape", "scaled"), "integration": ("trapezoid", "hold-last"),
    "step": ("loop", "fixed:20"), "path_heading": ("mid", "arc"), "lead": ("fixed:20", "measured"),
    "read_call": PARTS, "pickup_call": PARTS, "use_call": PARTS, "judged": ("mean", "rms", "max"),
    "fit": ("heading,heading",), "plan_file": ("looptime.toml", "plan.toml"),
    "change": ("batch drive.*", "every gyro.read loops=3", "thread gyro.read", "drop odometry"),
    "after": ("x.csv", "good.csv"), "actual": ("x.csv", "good.csv"), "season": ("season",),
    "season_folder": ("season",), "project_file": ("looptime.toml",), "phase": ("operator",),
}  # fmt: skip
#: How the file of an option ends, where a command asks for it.
_ENDINGS = {"export": ("csv", "parquet"), "report": ("html",), "summary": ("toml", "csv")}
#: What stands behind commands that take no log.
_TOPICS = {
    "guide": ("exit-codes", "json", "layouts", "limits", "notes", "project-file", "python",
              "safety"),
    "explain": ("share", "loops", "p99", "work", "gyro.read"),
    "recorder": ("java", "cpp", "python", "micropython"),
}  # fmt: skip


def played() -> dict[str, click.Command]:
    """Every command that is played, by its words on the command line."""
    found = {}
    for name in cli.cli.list_commands(click.Context(cli.cli)):
        if name in _NOT_PLAYED:
            continue
        command = cli.cli.get_command(click.Context(cli.cli), name)
        assert command is not None
        if isinstance(command, click.Group):
            found |= {f"{name} {inner}": one for inner, one in command.commands.items()}
        else:
            found[name] = command
    return found


def command_line(rng: Rng) -> list[str]:
    """A command with a log or two, and up to four of its options set to anything."""
    commands = played()
    first = str(rng.choice(sorted({name.split()[0] for name in commands})))
    inner = [name for name in commands if name.split()[0] == first]
    name = "season add" if "season add" in inner and rng.random() < 0.4 else str(rng.choice(inner))
    words: list[str] = []
    options = []
    for parameter in commands[name].params:
        if isinstance(parameter, click.Argument):
            count = 1 if parameter.nargs == 1 else int(rng.integers(1, 3))
            words += [_argument(first, rng) for _ in range(count)]
        elif isinstance(parameter, click.Option):
            options.append(parameter)
    few = rng.permutation(len(options))[: int(rng.choice([0, 0, 1, 1, 2, 4]))]
    for at, option in enumerate(options):
        if option.required or at in few:
            words += _given(first, option, rng)
    return [*name.split(), *words]


def _argument(command: str, rng: Rng) -> str:
    if rng.random() < 0.1:
        return str(rng.choice(WORDS))
    if command in _TOPICS:
        return str(rng.choice(_TOPICS[command]))
    return "x.csv" if rng.random() < 0.6 else str(rng.choice(_LOGS))


def _given(command: str, option: click.Option, rng: Rng) -> list[str]:
    """One option as it is typed."""
    spelled = max(option.opts, key=len)
    if option.is_flag or option.count:
        return [spelled]
    kind, name = option.type, str(option.name)
    chance = rng.random()
    if name == "scheduler":
        return []
    if chance < 0.1:
        return [spelled, str(rng.choice(ODD)).replace("\x00", "")]
    if chance < 0.25:
        return [spelled, str(rng.choice(WORDS))]
    if isinstance(kind, click.Choice):
        return [spelled, str(rng.choice(list(map(str, kind.choices))))]
    if name in MEANT:
        return [spelled, str(rng.choice(np.array(MEANT[name], dtype=object)))]
    if kind.name in ("float", "integer", "integer range"):
        return [spelled, str(_NUMBERS[int(rng.integers(len(_NUMBERS)))])]
    if "FILE" in (option.metavar or ""):
        return [spelled, f"out.{rng.choice(_ENDINGS.get(command, ('xml', 'md')))}"]
    return [spelled, str(rng.choice(WORDS))]


def furnished(folder: Path, rng: Rng) -> None:
    """The logs, the project file and the place for a season that commands meet."""
    for stale in folder.iterdir():
        if stale.is_file():
            stale.unlink()
    shape = str(rng.choice(SHAPES))
    (folder / "good.csv").write_text(make(shape, rng, 500).text(), encoding="utf-8")
    data = (
        mutated(rng, (30, 120, 500))[0]
        if rng.random() < 0.7
        else make(shape, rng, 500).text().encode()
    )
    (folder / "x.csv").write_bytes(data)
    lines = ["[robot]", 'name = "tray"', "[[call]]", 'match = "drive.*"', 'bus = "main"']
    lines += ["[limits]", "period_p99_ms = 20"]
    (folder / "looptime.toml").write_text("\n".join(lines), encoding="utf-8")


def fault(words: list[str], folder: Path) -> tuple[int, str]:
    """Exit of a command run in `folder`, and what is wrong with how it ended ("" if nothing)."""
    out, complaint = io.StringIO(), io.StringIO()
    with (
        contextlib.chdir(folder), contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(complaint),
    ):  # fmt: skip
        code = cli.run(words)
    shown, said = out.getvalue(), complaint.getvalue()
    # what has not been put in place yet has a name that begins with a dot
    left = [name for name in os.listdir(folder) if name.startswith((".", "looptime-trace"))]
    wrong = [
        (code not in (0, 1, 2, 3), f"exit {code}: {said[-300:]}"),
        # a line a log, and a folder holds several
        (
            code == 2 and not 1 <= said.count("\n") <= 3 + 5 * ("." in words),
            f"lines of complaint: {said[:300]!r}",
        ),
        (any(not line.startswith("looptime: ") for line in said.splitlines()), f"says {said!r}"),
        ("\x1b" in shown or "\x1b" in said, "control sequence"),
        (bool(left), f"left behind {left}"),
        ("--json" in words and code in (0, 1, 3) and not _sound(shown), f"JSON {shown[:200]!r}"),
        (
            "--json" not in words
            and words[0] not in ("explain", "guide", "recorder")
            and bool(_NO_NUMBER.search(shown))
            and not any(map(_NO_NUMBER.search, words))
            and not _named_so(folder)
            and not (words[0] == "columns" and _logged_so(folder)),
            f"nan or inf: {re.findall(r'.{0,60}(?<![a-z])(?:nan|inf).{0,40}', shown)[:2]}",
        ),
    ]
    return code, "; ".join(text for bad, text in wrong if bad)


_NO_NUMBER = re.compile(r"(?<![\w.'\"=-])(nan|-?inf)\b(?! *=)")


def _named_so(folder: Path) -> bool:
    """Whether a call, thread or phase of a log there is called so."""
    words: set[str] = set()
    for path in folder.glob("*.csv"):
        with contextlib.suppress(LooptimeError):
            for run in looptime.read_log(path).runs:
                words |= {name.name for name in run.names} | {
                    *run.thread_names,
                    *run.loop_columns.phase_names,
                }
    return any(_NO_NUMBER.search(word) for word in words)


def _logged_so(folder: Path) -> bool:
    """Whether a log there has such a cell, which `columns` shows as it stands."""
    data = b"".join(path.read_bytes() for path in folder.glob("*.csv"))
    return b"nan" in data or b"inf" in data


def _sound(text: str) -> bool:
    try:
        json.loads(text, parse_constant=_refuse)
    except ValueError:
        return False
    return True


def _refuse(constant: str) -> None:
    raise ValueError(constant)
