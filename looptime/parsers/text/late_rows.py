"""A log whose rows begin only behind many lines of other text, as a program prints while it starts.

How a log is written is told by its first lines. Where those are prose the rows are looked for
further on, and what stands before them is blanked out.
"""

import re
from dataclasses import replace

import numpy as np

from looptime.errors import LogError
from looptime.parsers.text.prose import is_written
from looptime.parsers.text.rewritten import Rewritten
from looptime.parsers.text.source import HEAD_BYTES, Source, blocks

__all__ = ["LOOKED_AT", "from_late_rows"]

#: How much of a log is looked through, and how large one may be whose rows begin late [bytes].
LOOKED_AT, _MOST = 16 << 20, 128 << 20
#: Twenty lines, one after another, of numbers alone, or of cells without blanks and with a digit.
_ROWS = re.compile(
    rb"(?:^(?:[ \t]*+(?=[-+.\d])[-+.\d,;:|\t eE]*+\r?\n"
    rb"|(?=[^\n]*\d)[^ \n,;|\t]*+[,;|\t][^ \n]*+\n)){20}",
    re.MULTILINE,
)
#: Lines that tell how a log is written, and the share of them that has no number in prose.
_LINES, _WITHOUT = 400, 0.6
#: Lines before the rows, of which fewer leave enough of those to tell.
_FEWEST = 360
#: What a header has, and a sentence above rows as a rule has not.
_HEADER = re.compile(rb"[,;|\t_\[(]")


def from_late_rows(source: Source, text: str) -> tuple[Source, str] | None:
    """The log with what stands before its rows blanked out, and its first lines with rows in them.

    Remarks stay, and the line above the rows if it may be their header. None where the first lines
    are no prose, or no rows follow.

    Parameters
    ----------
    source : Source
        The log.
    text : str
        Its first lines.

    Raises
    ------
    LogError
        If the rows begin in a log too large to be read so.
    """
    if not _is_prose(text):
        return None
    data, rest = bytearray(), blocks(source)
    for block in rest:
        data += block.data
        if len(data) > LOOKED_AT:
            break
    found = _ROWS.search(data)
    if found is None:
        return None
    lines = bytes(data[: found.start()]).split(b"\n")[:-1]
    if len(lines) < _FEWEST:  # rows enough are among the first lines
        return None
    for block in rest:
        data += block.data
        if len(data) > _MOST:
            raise LogError(
                f"its rows begin behind {len(lines):,} lines of other text: cut those off",
                source.path, len(lines) + 1,
            )  # fmt: skip
    above = max((at for at, line in enumerate(lines) if line.strip()), default=0)
    kept = [line if line.startswith(b"#") or (at == above and _HEADER.search(line)) else b""
            for at, line in enumerate(lines)]  # fmt: skip
    gone = [at for at, line in enumerate(lines) if line.strip() and not kept[at]]
    made = b"\n".join([*kept, bytes(data[found.start() :])])
    source.cautions.append(
        f"{len(gone):,} lines of other text stand before the rows: only remarks among them are read"
    )
    none, aside = np.zeros(0, np.int64), [(at, "not a row") for at in gone]
    end = made.rfind(b"\n", 0, len(made) - len(data) + found.start() + HEAD_BYTES) + 1
    shown = made[:end].decode("utf-8", "replace")
    return replace(source, rewritten=Rewritten(made, none, none, aside)), shown


def _is_prose(text: str) -> bool:
    """Whether the lines that tell how a log is written are sentences, or words without numbers."""
    lines = text.splitlines()[:_LINES]
    said = [line for line in lines if line.strip() and not line.startswith("#")]
    without = sum(not any(map(str.isdecimal, line)) for line in said)
    return len(lines) == _LINES and (without >= _WITHOUT * len(said) or is_written(text))
