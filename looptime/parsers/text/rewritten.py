"""A log rewritten line for line, and the books of lines whose values share a row."""

from collections.abc import Iterator

from looptime.array_types import Int
from looptime.records import dataclass

__all__ = ["Rewritten", "pieces"]


@dataclass(frozen=True)
class Rewritten:
    """Text that stands for a log's own, with as many lines."""

    data: bytes  #: The text, UTF-8
    #: Lines, from 0 and rising, whose values stand in the row of another line, shape (k,).
    line: Int
    head: Int  #: That line, shape (k,)
    aside: list[tuple[int, str]]  #: Lines, from 0 and rising, that were set aside, and why
    #: Lines, from 0 and rising, that are left to another reading of the same log, shape (m,).
    others: Int | None = None
    loops_from: str = ""  #: What its loops were found by, where its own column of them is made up


def pieces(data: bytes, size: int) -> Iterator[bytes]:
    r"""Cut text into stretches of whole lines.

    Examples
    --------
    >>> list(pieces(b"a\nbc\nd", 3))
    [b'a\n', b'bc\n', b'd']
    """
    at = 0
    while at < len(data):
        cut = data.rfind(b"\n", at, at + size) + 1
        if not cut:
            cut = data.find(b"\n", at + size) + 1
        end = cut or len(data)
        yield data[at:end]
        at = end
