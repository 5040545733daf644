"""A table whose lines a logger set its tag before is read as the table alone."""

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

import looptime
from tests.parsers.build import periods_ms, read, self_ms
from tests.properties.logs import figures

#: What loggers and terminals set before a line: the same for each, or with the time that it came.
TAGS = (
    "INFO carrier: ", "[carrier] INFO - ", "carrier> ", "D/loop(412): ", "{t} INFO carrier: ",
    "{t} [main] INFO bench - ", "[{t}] ",
)  # fmt: skip


def loops() -> list[tuple[int, int, int]]:
    """Start, length of the gyro's read and of the motors' write of 200 loops [us]."""
    rng = np.random.default_rng(3)
    gyro, motors = rng.integers(900, 1100, 200), rng.integers(2000, 2400, 200)
    start = 52_000 + np.concatenate([[0], np.cumsum(gyro + motors + 700)[:-1]])
    return list(zip(start.tolist(), gyro.tolist(), motors.tolist(), strict=True))


def parts(mark: str) -> list[tuple[int, str]]:
    """A loop a row: when each is printed [us], and its text."""
    names = mark.join(("t_us", "gyro_us", "motors_us"))
    return [(0, names), *((t + g + m, mark.join(map(str, (t, g, m)))) for t, g, m in loops())]


def calls(mark: str) -> list[tuple[int, str]]:
    """A call a row."""
    lines = [(0, mark.join(("loop", "name", "start_us", "duration_us")))]
    for k, (t, g, m) in enumerate(loops()):
        for name, begin, took in (("gyro.read", t, g), ("motors.write", t + g, m)):
            lines.append((begin + took, mark.join(map(str, (k, name, begin, took)))))
    return lines


def edges(mark: str) -> list[tuple[int, str]]:
    """A begin or an end a row."""
    lines = [(0, mark.join(("time_us", "event", "name")))]
    for t, g, m in loops():
        for at, side, name in ((t, "B", "loop"), (t, "B", "gyro"), (t + g, "E", "gyro"),
                               (t + g + m, "E", "loop")):  # fmt: skip
            lines.append((at, mark.join((str(at), side, name))))
    return lines


def quoted(mark: str) -> list[tuple[int, str]]:
    return [(at, mark.join(f'"{c}"' for c in text.split(mark))) for at, text in parts(mark)]


@pytest.mark.parametrize("tag", TAGS)
@pytest.mark.parametrize("mark", [",", "\t"])
@pytest.mark.parametrize("made", [parts, calls, edges, quoted])
def test_a_tag_before_each_line_changes_no_figure(tmp_path: Path, tag: str, mark: str, made):
    lines = made(mark)
    bare = tmp_path / "bare.csv"
    bare.write_text("\n".join(text for _, text in lines) + "\n")
    begun = datetime(2026, 5, 1, 10)
    tagged = tmp_path / "run.log"
    rows = []
    for at, text in lines:
        stamp = (begun + timedelta(microseconds=at + 300)).isoformat(" ", "milliseconds")
        rows.append(tag.format(t=stamp) + text)
    rows.insert(90, tag.format(t=begun.isoformat(" ", "milliseconds")) + "tray set down, all well")
    tagged.write_text("carrier up\n" + "\n".join(rows) + "\nbye\n")
    read, alone = figures(looptime.read_log(tagged)), figures(looptime.read_log(bare))
    assert [run[:4] for run in read] == [run[:4] for run in alone]  # but for the books
    assert read[0][5] == alone[0][5] + 3


def said_edges() -> list[str]:
    lines = []
    for t, g, m in loops():
        lines += [f"{t} begin gyro", f"{t + g} end gyro", f"{t + g} begin motors",
                  f"{t + g + m} end motors"]  # fmt: skip
    return lines


def objects() -> list[str]:
    return [f'{{"t_us": {t}, "parts_us": {{"gyro": {g}, "motors": {m}}}}}' for t, g, m in loops()]


def bare_rows() -> list[str]:
    return [f"{t},{g},{m}" for t, g, m in loops()]


def aligned() -> list[str]:
    rows = [("t_us", "gyro_us", "motors_us"), *loops()]
    return ["".join(f"{cell:>12}" for cell in row) for row in rows]


def drawn() -> list[str]:
    rows = [("t_us", "gyro_us", "motors_us"), ("---",) * 3, *loops()]
    return ["| " + " | ".join(map(str, row)) + " |" for row in rows]


def comma_decimals() -> list[str]:
    rows = ((t / 1e3, g / 1e3, m / 1e3) for t, g, m in loops())
    return ["Zeit [ms];Kreisel [ms];Motoren [ms]",
            *(";".join(f"{x:.3f}" for x in row).replace(".", ",") for row in rows)]  # fmt: skip


@pytest.mark.parametrize("tag", ["INFO carrier: ", "INFO:root:", "[debug] [b4] ", "cart INFO "])
@pytest.mark.parametrize("made", [said_edges, objects, bare_rows, aligned, drawn, comma_decimals])
def test_a_loggers_level_is_set_aside_whatever_follows(tmp_path: Path, tag: str, made) -> None:
    bare, tagged = tmp_path / "bare.log", tmp_path / "run.log"
    bare.write_text("\n".join(made()) + "\n")
    tagged.write_text("".join(f"{tag}{line}\n" for line in made()))
    read, alone = figures(looptime.read_log(tagged)), figures(looptime.read_log(bare))
    assert [run[:4] for run in read] == [run[:4] for run in alone]


def test_what_a_level_alone_names_keeps_its_name(tmp_path: Path) -> None:
    log = tmp_path / "run.log"
    log.write_text("".join(f"INFO gyro: {2 + k % 3 / 10:.1f} ms\n" for k in range(100)))
    (run,) = looptime.read_log(log).runs
    assert [name.name for name in run.names if name.name != "loop"] == ["gyro"]


def test_a_word_that_comes_in_each_line_names_its_value(tmp_path: Path) -> None:
    """Without a header behind it, it is no tag: ``gyro: 2.1`` is the gyro's."""
    log = tmp_path / "run.log"
    log.write_text("".join(f"gyro: {2 + k % 3 / 10:.1f} ms\n" for k in range(100)))
    (run,) = looptime.read_log(log).runs
    assert [name.name for name in run.names if name.name != "loop"] == ["gyro"]


def test_lines_of_numbered_loops_behind_a_banner(tmp_path):
    """``#7`` is a loop's number where nearly all lines begin so, and no remark."""
    rows = [f"#{k} dt={20 + k % 3}.5ms imu={2 + k % 2}.25ms" for k in range(1, 60)]
    banner = ["tray shuttle, wheel controller rev 4", "self test ok, 4 wheels"]
    run = read(tmp_path, "\n".join([*banner, *rows]) + "\n", "out.log")
    assert np.allclose(periods_ms(run), [20.5 + k % 3 for k in range(1, 60)][: len(run)])
    assert np.allclose(self_ms(run)["imu"], [2.25 + k % 2 for k in range(1, 60)][: len(run)])
