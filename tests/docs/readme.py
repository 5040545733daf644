"""The commands that README.md shows, with what they print.

``python -m tests.docs.readme`` runs them and writes their output into the file again.
A block looks like this; the comment before it says which lines of the output are shown::

    <!-- shows 1-12 -->
    ```console
    $ looptime summary sample_logs/single_reads.csv.gz
    ...
    ```
"""

import contextlib
import io
import re
import shlex
import tempfile
from dataclasses import dataclass
from pathlib import Path

from looptime import cli

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"
_BLOCK = re.compile(
    r"<!-- shows (?P<first>\d+)-(?P<last>\d+) -->\n```console\n"
    r"(?P<command>\$ looptime (?:[^\n]*\\\n)*[^\n]*)\n(?P<output>.*?)```",
    re.S,
)


@dataclass(frozen=True)
class Block:
    """One command of the README and the lines of its output that are shown."""

    command: str
    output: str
    first: int
    last: int
    place: tuple[int, int]

    @property
    def args(self) -> list[str]:
        """Arguments of the command."""
        return shlex.split(self.command.removeprefix("$ looptime ").replace("\\\n", " "))

    def run(self, scratch: Path) -> str:
        """The lines of the command's own output that are to be shown."""
        args = [word.replace("SCRATCH", str(scratch)) for word in self.args]
        out = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="\n")
        with contextlib.redirect_stdout(out), contextlib.chdir(ROOT):
            cli.run(args)
        out.flush()
        lines = [line.rstrip() for line in out.buffer.getvalue().decode("utf-8").splitlines()]
        lines = [line.replace(str(ROOT) + "/", "") for line in lines]
        shown = lines[self.first - 1 : self.last]
        after = ["..."] if self.last < len(lines) else []
        return "\n".join([*shown, *after]) + "\n"


def blocks(text: str) -> list[Block]:
    """Every block of the README."""
    return [
        Block(at["command"], at["output"], int(at["first"]), int(at["last"]), at.span("output"))
        for at in _BLOCK.finditer(text)
    ]


def main() -> None:
    """Write what the commands print now into the README."""
    text = README.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as scratch:
        for block in reversed(blocks(text)):
            start, end = block.place
            text = text[:start] + block.run(Path(scratch)) + text[end:]
    README.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
