"""Text written for people or compilers to read, told from a log."""

import re

__all__ = ["is_code", "is_written"]

_WORD = re.compile(r"(?<![\w=])[^\W\d_]{2,}(?![\w=])")
_NUMBER = re.compile(r"\d+(?:[.,:]\d+)*")
#: How a line of source code begins, or ends.
_CODE = re.compile(
    r"\s*(?:(import|from|def|class|return|elif|except|public|private|static|void|const|#include|"
    r"#define|package|using|namespace|func|fn|let|var|while|for|if|else|double|float|int)\b"
    r".*?[\w)}:;{>\"'\]]\s*$|[})\]]+;?\s*$)"
)
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


def is_code(text: str) -> bool:
    r"""Whether many lines begin as those of a program do, by several of its words.

    Examples
    --------
    >>> is_code("import time\n\ndef step(now):\n    if now > 3:\n        return 0\n    tick(now)\n")
    True
    >>> is_code("if,else\n1,2\n3,4\n"), is_code("loop 7: gyro 1.07 ms\n")
    (False, False)
    """
    lines = [line for line in text.splitlines()[:_FIRST_LINES] if line.strip()]
    found = [found for line in lines if (found := _CODE.match(line))]
    words = {one[1] for one in found if one[1]}
    return len(words) >= 3 and len(found) >= 0.25 * len(lines)
