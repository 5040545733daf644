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
