"""Text written for people or compilers to read, told from a log."""

import re
from collections.abc import Sequence

from looptime.call_words import guess_name
from looptime.schema import CallName

__all__ = ["are_names", "is_code", "is_title", "is_written"]

_WORD = re.compile(r"(?<![\w=])[^\W\d_]{2,}(?![\w=])")
_NUMBER = re.compile(r"\d+(?:[.,:]\d+)*")
#: How a line of source code begins, or ends.
_CODE = re.compile(
    r"\s*(?:(import|from|def|class|return|elif|except|public|private|static|void|const|#include|"
    r"#define|package|using|namespace|func|fn|let|var|while|for|if|else|double|float|int)\b"
    r".*?[\w)}:;{>\"'\]]\s*$|[})\]]+;?\s*$)"
)
_FIRST_LINES = 400
#: A line of no text; one that begins with its number, as of a loop, is some.
_REMARK = re.compile(r"\s*(?:#(?!\d)|$)")
#: A word that may name a column, and one that is written as only names are.
_NAME = re.compile(r"[^\W\d][\w.\[\]-]*")
_AS_IN_CODE = re.compile(r".*(?:\w[._]\w|[a-z][A-Z])")
#: Words that join others in a sentence and stand in no name of a column.
_JOINING = re.compile(
    r"(?<![\w.])(?:of|in|the|for|from|are|is|by|with|and|per|von|der|die|das|und|f\u00fcr|de|des|du|"
    r"en|los|las|del|y|di|dei|e)(?![\w.])", re.IGNORECASE,
)  # fmt: skip


def is_written(text: str) -> bool:
    r"""Whether most lines are sentences: four words or more, and far more words than numbers.

    Examples
    --------
    >>> is_written("The robot ran 12 loops, then it stopped.\nNobody knows why it did so.\n")
    True
    >>> is_written("loop 7: gyro 1.07 ms, drive 3.1 ms\n"), is_written("t,imu\n1,2\n")
    (False, False)
    >>> is_written("tray shuttle, wheel controller four\n" + "#1 dt=17 ms gyro=1 ms\n" * 3)
    False
    """
    lines = [line for line in text.splitlines()[:_FIRST_LINES] if not _REMARK.match(line)]
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


def are_names(words: Sequence[str]) -> bool:
    """Whether words, one for each column, are its names and not a sentence.

    Half of them are written as only names are, or are ordinary names of calls.

    Examples
    --------
    >>> are_names(["t_start", "t_gyro_end", "out"]), are_names(["gyro", "drive", "belt", "wait"])
    (True, True)
    >>> are_names(["third", "run", "of", "gyro"]), are_names(["bench", "cold"])
    (False, False)
    """
    if len(set(words)) < len(words) or not all(_NAME.fullmatch(word) for word in words):
        return False
    if is_title(" ".join(words)):
        return False
    known = [_AS_IN_CODE.match(word) or guess_name(CallName(word)).kind != "other"
             for word in words]  # fmt: skip
    return sum(map(bool, known)) >= max(2, len(words) / 2)


def is_title(text: str) -> bool:
    """Whether a line above rows is what they are called together, by words that join others.

    Examples
    --------
    >>> is_title("print of section times (ms)"), is_title("time_ms gyro_ms")
    (True, False)
    """
    return _JOINING.search(text) is not None
