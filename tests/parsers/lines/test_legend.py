"""Codes that a comment names."""

import pytest

from tests.parsers.build import periods_ms, read, self_ms


@pytest.mark.parametrize(
    ("legend", "line"),
    [("# +n entered, -n left\n# 1=loop, 2=imu, 3=model\nt_us,code\n", "{t},{sign}{n}\n"),
     ("# 0x1: loop; 0x2: imu; 0x3: model\nt_us;id;edge\n", "{t};{n};{word}\n")],
)  # fmt: skip
def test_calls_have_the_names_that_the_comment_gives_their_codes(tmp_path, legend, line):
    """A loop of 5 ms, of 17 in each tenth, whose model takes 1 ms, or 13: by hand."""
    text, at = legend, 0
    for k in range(120):
        late = 12_000 if k % 10 == 4 else 0
        edges = ((0, "+", 1), (10, "+", 2), (610, "-", 2), (700, "+", 3), (1700 + late, "-", 3),
                 (4990 + late, "-", 1))  # fmt: skip
        for t, sign, n in edges:
            text += line.format(t=at + t, sign=sign, n=n, word="begin" if sign == "+" else "end")
        at += 5000 + late
    run = read(tmp_path, text)
    late = [17.0 if k % 10 == 4 else 5.0 for k in range(len(run))]
    assert periods_ms(run) == late
    assert self_ms(run)["model"] == pytest.approx([took - 4 for took in late])
    assert self_ms(run)["imu"] == pytest.approx([0.6] * len(run))


def test_a_code_without_a_name_stays_as_it_is(tmp_path):
    """A legend of other numbers than the column's leaves the table alone."""
    text = "# 1=idle, 2=drive\nt_ms,name,dur_ms\n" + "".join(
        f"{20 * k},{7 + k % 2},3\n" for k in range(60)
    )
    assert {name.name for name in read(tmp_path, text, layout="calls").names} == {"7", "8"}


@pytest.mark.parametrize(
    ("line", "header"),
    [("# {n} {name} {edge}", "t_us;event"), ("# {n} = {name} {edge}", "t_us;event"),
     ("# {n}: {name} {edge}", "t_us;what"), ("// {n} - {name}_{edge}", "t_us;code"),
     ("# {edge} {name} {n}", "t_us;evt"), ("#\t{n}\tread {name} {edge}", "t_us;number")],
)  # fmt: skip
def test_a_legend_that_says_what_begins_and_ends(tmp_path, line, header):
    """Loops of 10 ms with two calls of 2 and 3 ms, each edge with a code of its own."""
    codes = {name: (10 * k, 10 * k + 1) for k, name in enumerate(("loop", "imu", "lift"), 1)}
    edges = ("begin", "end")
    text = ["# legend", *(line.format(n=n, name=name, edge=edge) for name, both in codes.items()
                          for n, edge in zip(both, edges, strict=True)), header]  # fmt: skip
    for k in range(80):
        edges = ((0, "loop", 0), (5, "imu", 0), (2005, "imu", 1), (2010, "lift", 0),
                 (5010, "lift", 1), (9990, "loop", 1))  # fmt: skip
        text += [f"{10_000 * k + at};{codes[name][side]}" for at, name, side in edges]
    run = read(tmp_path, "\n".join(text))
    assert set(periods_ms(run)) == {10.0}
    took = {name.split()[-1]: set(ms) for name, ms in self_ms(run).items()}
    assert (took["imu"], took["lift"]) == ({2.0}, {3.0})


def test_numbers_that_comments_happen_to_name_stay_numbers(tmp_path):
    """Cores 0 and 1 are none of the errors and restarts that comments count."""
    text = "# 0 errors\n# 1 restart\ntime_ms,name,dur_ms,core\n" + "".join(
        f"{20 * k + 6 * j},{name},3,{j}\n" for k in range(60) for j, name in enumerate(("a", "b"))
    )
    assert {name.name for name in read(tmp_path, text).names} == {"a", "b"}
