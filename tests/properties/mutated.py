"""Logs changed in ways that nobody planned: lines, cells, columns, bytes and files."""

import gzip
from collections.abc import Callable

import numpy as np
import pyarrow as pa

from tests.properties.semantic import SHAPES, make

Rng = np.random.Generator
Lines = list[str]

#: Cells that a robot, a spreadsheet or an editor leaves behind.
ODD = (
    "nan", "inf", "-inf", "1e308", "1e-308", "1e400", "9" * 30, "18446744073709551616",
    "9223372036854775807", "-9223372036854775808", "4294967296", "٣٤٥", "１２３", "½", "\x00",
    "-0", "+5", "0x1F", "1_000", "1,5", "1.5.6", "", " ", '"', '""', '"a', "N/A", "null", "true",
    "=cmd()", "\x1b[31mred", "\u202e", "é", "\ufeff", "1e5", "1.34681E+12", "-5", "0", "12:30:00",
    "2026-13-45T99:99:99", "99:99:99.999", "a" * 1000, "#", "# a: b", "\t", ";", "|", "loop",
    "begin", "name", "time_us", "us", "-1e18", "2147483648", "65536", "1 000", "1.000.000,5",
    "5ms", "1/2", "1e", ".", "5.", "+", "-.",
)  # fmt: skip
HEADS = (
    "time", "name", "loop", "total_ms", "dt", "duration_us", "start", "end", "x", "time_us", "seq",
    "thread", "phase", "cpu_us", "", "start_s", "timestamp", "bus", "kind", "mark", "value",
    "index",
)  # fmt: skip


def mutated(rng: Rng, loops: tuple[int, ...] = (5, 30, 120)) -> tuple[bytes, str]:
    """A log of one of some lengths after one to four mishaps, and the shape that it had."""
    shape = str(rng.choice(SHAPES))
    made = make(shape, rng, int(rng.choice(loops)))
    lines = made.text().split("\n")
    for _ in range(int(rng.integers(1, 5))):
        if len(lines) < 4:
            break
        lines = _MISHAPS[int(rng.integers(len(_MISHAPS)))](lines, rng)
    return _encoded("\n".join(lines), rng)[:3_000_000], shape


def _at(lines: Lines, rng: Rng) -> int:
    return int(rng.integers(len(lines)))


def _cut_line(lines: Lines, rng: Rng) -> Lines:
    at = _at(lines, rng)
    lines[at] = lines[at][: int(rng.integers(len(lines[at]) + 1))]
    return lines


def _drop_line(lines: Lines, rng: Rng) -> Lines:
    del lines[_at(lines, rng)]
    return lines


def _copy_line(lines: Lines, rng: Rng) -> Lines:
    lines.insert(_at(lines, rng), lines[_at(lines, rng)])
    return lines


def _swap_lines(lines: Lines, rng: Rng) -> Lines:
    one, two = _at(lines, rng), _at(lines, rng)
    lines[one], lines[two] = lines[two], lines[one]
    return lines


def _odd_cell(lines: Lines, rng: Rng) -> Lines:
    at = _at(lines, rng)
    cells = lines[at].split(",")
    cells[int(rng.integers(len(cells)))] = str(rng.choice(ODD))
    lines[at] = ",".join(cells)
    return lines


def _by_column(lines: Lines, rng: Rng, change: Callable[[str], str], share: float = 1.0) -> Lines:
    column = int(rng.integers(max(1, len(lines[-2].split(",")))))
    for at in range(1, len(lines)):
        cells = lines[at].split(",")
        if column < len(cells) and rng.random() < share:
            cells[column] = change(cells[column])
            lines[at] = ",".join(cells)
    return lines


def _odd_column(lines: Lines, rng: Rng) -> Lines:
    cell = str(rng.choice(ODD))
    return _by_column(lines, rng, lambda _: cell, float(rng.choice([0.01, 0.1, 0.5, 1])))


def _number(cell: str, change: Callable[[float], float]) -> str:
    try:
        return repr(change(float(cell)))
    except (ValueError, OverflowError):
        return cell


def _scaled_column(lines: Lines, rng: Rng) -> Lines:
    factor = float(rng.choice([-1, 0, 1e-9, 1e3, 1e6, 1e9, 1e15, 1e200, 1e-300, 0.5]))
    return _by_column(lines, rng, lambda cell: _number(cell, lambda value: value * factor))


def _moved_column(lines: Lines, rng: Rng) -> Lines:
    by = float(rng.choice([-1e3, 1e9, -1e9, 1e15, 1.7e18, 9.2e18, -9.2e18, 4294967290, -1]))
    first = _at(lines, rng)
    head, tail = lines[:first], lines[first:]
    return head + _by_column(["", *tail], rng, lambda c: _number(c, lambda v: v + by))[1:]


def _wrapped_column(lines: Lines, rng: Rng) -> Lines:
    modulus = int(rng.choice([10, 1000, 65536, 100_000, 1 << 20, 2**32]))
    return _by_column(lines, rng, lambda cell: _number(cell, lambda value: int(value) % modulus))


def _constant_column(lines: Lines, rng: Rng) -> Lines:
    cell = str(rng.choice(["0", "1", "5.0", "1e9", "-3"]))
    return _by_column(lines, rng, lambda _: cell)


def _dropped_column(lines: Lines, rng: Rng) -> Lines:
    gone = int(rng.integers(max(1, len(lines[-2].split(",")))))
    return [",".join(c for k, c in enumerate(line.split(",")) if k != gone) for line in lines]


def _doubled_column(lines: Lines, rng: Rng) -> Lines:
    column = int(rng.integers(max(1, len(lines[-2].split(",")))))
    return [",".join([line, *line.split(",")[column : column + 1]]) for line in lines]


def _other_header(lines: Lines, rng: Rng) -> Lines:
    cells = lines[0].split(",")
    cells[int(rng.integers(len(cells)))] = str(rng.choice([*HEADS, cells[0]]))
    lines[0] = ",".join(cells)
    return lines


def _cut_file(lines: Lines, rng: Rng) -> Lines:
    at = int(rng.integers(1, len(lines)))
    return lines[:at] if rng.random() < 0.5 else lines[at:] or lines


def _copied_block(lines: Lines, rng: Rng) -> Lines:
    low = _at(lines, rng)
    high = min(len(lines), low + int(rng.integers(1, 100)))
    return lines[:high] + lines[low:high] * int(rng.choice([1, 2, 5])) + lines[high:]


def _dropped_block(lines: Lines, rng: Rng) -> Lines:
    low = _at(lines, rng)
    return lines[:low] + lines[low + int(rng.integers(1, 100)) :]


def _flipped_bytes(lines: Lines, rng: Rng) -> Lines:
    text = list("\n".join(lines))
    for _ in range(int(rng.choice([1, 5, 50]))):
        code = int(rng.choice([int(rng.integers(256)), int(rng.integers(48, 58)), 44, 10, 13, 34]))
        text[int(rng.integers(len(text)))] = chr(code)
    return "".join(text).split("\n")


def _shuffled(lines: Lines, rng: Rng) -> Lines:
    return [lines[k] for k in rng.permutation(len(lines))]


def _reversed(lines: Lines, rng: Rng) -> Lines:
    return lines[:1] + lines[:0:-1]


def _many_restarts(lines: Lines, rng: Rng) -> Lines:
    block = lines[1 : 1 + int(rng.choice([1, 2, 5, 20, 100]))]
    return lines[:1] + block * int(rng.choice([2, 20, 200]))


def _distinct_names(lines: Lines, rng: Rng) -> Lines:
    return [line.replace("gyro", f"g{at}") for at, line in enumerate(lines)]


def _other_delimiter(lines: Lines, rng: Rng) -> Lines:
    mark = str(rng.choice([";", "\t", " ", "|"]))
    return [line.replace(",", mark) for line in lines]


def _headers_again(lines: Lines, rng: Rng) -> Lines:
    every = int(rng.choice([1, 3, 50]))
    return [x for at, ln in enumerate(lines) for x in ([lines[0]] * (at % every == 0) + [ln])]


def _trailing(lines: Lines, rng: Rng) -> Lines:
    mark = str(rng.choice([",", ";", " "]))
    return [line + mark for line in lines]


def _quoted(lines: Lines, rng: Rng) -> Lines:
    at = _at(lines, rng)
    cells = lines[at].split(",")
    inside = str(rng.choice(["a\nb", 'x"', 'a""b', "a,b", "1,2"]))
    cells[int(rng.integers(len(cells)))] = '"' + inside + '"' * int(rng.integers(2))
    lines[at] = ",".join(cells)
    return lines


_MISHAPS: tuple[Callable[[Lines, Rng], Lines], ...] = (
    _cut_line, _drop_line, _copy_line, _swap_lines, _odd_cell, _odd_column, _scaled_column,
    _moved_column, _wrapped_column, _constant_column, _dropped_column, _doubled_column,
    _other_header, _cut_file, _copied_block, _dropped_block, _flipped_bytes, _shuffled, _reversed,
    _many_restarts, _distinct_names, _other_delimiter, _headers_again, _trailing, _quoted,
)  # fmt: skip


def _encoded(text: str, rng: Rng) -> bytes:
    """Bytes of the file: now and then in another encoding, packed, cut or with a hole."""
    chance = rng.random()
    if chance < 0.04:
        data = text.encode("utf-16", "replace")
    elif chance < 0.06:
        data = text.encode("latin-1", "replace")
    else:
        data = (b"\xef\xbb\xbf" if chance > 0.98 else b"") + text.encode("utf-8", "replace")
    if rng.random() < 0.08:
        data = data.replace(b"\n", rng.choice([b"\r\n", b"\r"]))
    chance = rng.random()
    if chance < 0.1:
        packed = (
            gzip.compress(data, 1) if chance < 0.06 else pa.compress(data, "zstd", asbytes=True)
        )
        data = packed[: int(rng.integers(len(packed)))] if rng.random() < 0.6 else packed
    elif chance < 0.12:
        at = int(rng.integers(len(data) + 1))
        data = data[:at] + bytes(int(rng.choice([1, 4096]))) + data[at:]
    return data
