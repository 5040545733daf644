"""Lines with a host's stamp before each: a serial monitor's, or a terminal's."""

import re

from looptime.parsers.lines.grid import is_text
from looptime.parsers.lines.shapes import CLOCK

__all__ = ["HOST", "split_host", "without_sender"]

#: Name of the column of the host's stamps.
HOST = "host time"
_SAMPLE = 400
_ARROWED = re.compile(
    rf"^\s*+\[?\s*+({CLOCK})\s*+\]?\s*+(?:->|=>|>>|>|\N{{RIGHTWARDS ARROW}})\s?(.*)$"
)
_FRAMED = re.compile(rf"^\s*[\[(]\s*+({CLOCK})\s*[\])]\s*+:?\s?(.*)$")


def split_host(lines: list[str]) -> tuple[list[str], list[str]] | None:
    """The host's stamp of each line and what follows it; None where most lines have none.

    Examples
    --------
    >>> split_host(["10:00:00.812 -> 812,9", "10:00:00.852 -> 852,2", "10:00:00.9 -> up", "up"])
    (['10:00:00.812', '10:00:00.852', '10:00:00.9', ''], ['812,9', '852,2', 'up', 'up'])
    """
    sample = [line for line in lines[:_SAMPLE] if is_text(line)]
    for pattern in (_ARROWED, _FRAMED):
        found = [m for line in sample if (m := pattern.match(line))]
        rows = [m for m in found if any(c.isdecimal() for c in m[2])]
        if len(found) < 0.7 * len(sample) or len(rows) < 2:
            continue
        stamps, rest = [], []
        for line in lines:
            match = pattern.match(line)
            stamps.append(match[1].strip() if match else "")
            rest.append(match[2] if match else line)
        return stamps, rest
    return None


#: A day without its year, the time of day, who sent the line, and what it says.
_SENT = re.compile(
    r"^(?:<\d+>)?(?:[^\W\d_]{3,4}\.? +\d{1,2}|\d{1,2}\.? +[^\W\d_]{3,4}\.?),? +"
    r"(\d\d:\d\d:\d\d(?:[.,]\d+)?) +(?:[\w.-]+ +)?([\w./-]+?)(?:\[\d+\])?: (.*)$"
)
#: The number of a line or of its loop.
_NUMBERED = re.compile(r"^\s*#(?=\d)")


def without_sender(lines: list[str]) -> list[str]:
    """Lines of a system's journal as time of day and text; others as they are.

    A day without a year is left out, since times of day that go back tell the next one; the name
    of the program stays where several write. Where all lines begin with ``#12``, that is no remark
    but their loop's number.

    Examples
    --------
    >>> without_sender(["Mar  4 10:00:01.5 cart ctl[41]: begin scan", "4 Mar 10:00:02 cart ctl: x"])
    ['10:00:01.5 begin scan', '10:00:02 x']
    >>> without_sender(["#7 imu=9", "#8 imu=8"]), without_sender(["#7 imu=9", "imu=8"])
    (['loop 7 imu=9', 'loop 8 imu=8'], ['#7 imu=9', 'imu=8'])
    """
    if all(_NUMBERED.match(line) for line in lines[:_SAMPLE] if line.strip()):
        return [_NUMBERED.sub("loop ", line) for line in lines]
    found = [_SENT.match(line) for line in lines[:_SAMPLE]]
    programs = {one[2] for one in found if one}
    if not programs or sum(map(bool, found)) < 0.7 * sum(map(is_text, lines[:_SAMPLE])):
        return lines
    kept = r"\1 \3" if len(programs) == 1 else r"\1 \2: \3"
    return [_SENT.sub(kept, line) for line in lines]
