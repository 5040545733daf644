"""Text written for people to read, told from a log."""

from __future__ import annotations

import re

__all__ = ["is_written"]

_WORD = re.compile(r"(?<![\w=])[^\W\d_]{2,}(?![\w=])")
_NUMBER = re.compile(r"\d+(?:[.,:]\d+)*")
_FIRST_LINES = 400


def is_written(text: str) -> bool:
    r"""Whether most lines are sentences: four words or more, and far more words than numbers.

    Examples
    --------
    >>> is_written("The robot ran 12 loops, then it stopped.\nNobody knows why it did so.\n")
    True
    >>> is_written("loop 7: gyro 1.07 ms, drive 3.1 ms\n"), is_written("t,imu\n1,2\n")
    (False, False)
    """
    lines = [line for line in text.splitlines()[:_FIRST_LINES] if line.strip()[:1] not in ("", "#")]
    words = [tuple(_WORD.findall(line)) for line in lines]
    said = sum(
        len(own) >= 4 and len(own) >= 2 * len(_NUMBER.findall(line))
        for own, line in zip(words, lines, strict=True)
    )
    return said > 0 and said >= 0.4 * len(lines) and len(set(words)) > 0.5 * len(lines)
