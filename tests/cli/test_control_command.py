"""`looptime control`: what it prints, its JSON, and its refusals."""

import json
import math
import re

import pytest

from looptime.cli import run
from looptime.controllers import Controller
from looptime.samples import folder

LOG = str(folder() / "single_reads.csv.gz")
ONE = ["--read-call", "mast.read", "--write-call", "mast.write", "--form", "fixed step",
       "--step-ms", "20", "--kp", "6", "--ki", "1", "--plant", "position", "--full-speed", "0.8",
       "--time-constant-ms", "80", "--target", "step:0.3", "--value-unit", "m"]  # fmt: skip


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path, monkeypatch):
    """No project file above the working folder."""
    monkeypatch.chdir(tmp_path)


def test_text(capsys):
    """The answer comes first; one screen of tables; the rest only on demand."""
    assert run(["control", LOG, *ONE]) == 0
    shown = capsys.readouterr().out
    assert shown.splitlines()[0].startswith("controller settles at this pace")
    assert "Moves begun at every loop" in shown
    assert "other loop rates" not in shown
    assert len(shown.splitlines()) < 50
    assert run(["control", LOG, *ONE, "--full"]) == 0
    assert "other loop rates" in capsys.readouterr().out
    assert run(["control", LOG, *ONE, "--quiet"]) == 0
    assert len(capsys.readouterr().out.splitlines()) <= 2


def test_json(capsys):
    """The documented document."""
    assert run(["control", LOG, *ONE, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["schema_version"] == 1
    one = found["controllers"][0]
    assert (one["form"], one["unit"]) == ("fixed step", "m")
    assert one["factors"]["integral"]["p50"] == pytest.approx(20 / one["steps_ms"]["p50"])
    assert one["stability"]["state"] in ("settles", "rings", "grows")


def test_every_key_has_an_option(capsys):
    """What the project file can state, the options can."""
    assert run(["control", "--help"]) == 0
    shown = capsys.readouterr().out
    for name in Controller.__dataclass_fields__:
        assert f"--{name.replace('_', '-')}" in shown


def test_one_of_the_project_is_changed_by_options(tmp_path, capsys):
    """`--name` takes the project's controller, the other options change it."""
    project = tmp_path / "looptime.toml"
    project.write_text(
        '[[controller]]\nname = "mast"\nread_call = "mast.read"\nwrite_call = "mast.write"\n'
        'form = "per loop"\nkp = 6.0\nki = 0.01\n'
    )
    assert run(["control", LOG, "--name", "mast", "--form", "measured step", "--json"]) == 0
    one = json.loads(capsys.readouterr().out)["controllers"][0]
    assert (one["name"], one["form"], one["effective"]["ki"]["p99"]) == (
        "mast", "measured step", 0.01,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], "no controller is stated"),
        (["--kp", "-3"], "from 0"),
        (["--kp", "3", "--ki", "2"], "form is missing"),
        (["--kp", "3", "--read-call", "mast.rea"], "the nearest is 'mast.read'"),
        (["--kp", "3", "--target", "hop:1"], "step:SIZE"),
        (["--kp", "3", "--plant", "speed", "--fit", "a,b"], "no signal 'a'"),
        (["--kp", "3", "--plant", "speed", "--fit", "a"], "OUTPUT,MEASURED"),
        (["--kp", "nan"], "takes a number"),
    ],
)
def test_refusals(options, said, capsys):
    """One line on stderr and exit 2."""
    assert run(["control", LOG, *options]) == 2
    shown = capsys.readouterr().err
    assert said in shown
    assert len(shown.splitlines()) == 1


STATED = (
    '[[controller]]\nname = "mast"\nread_call = "mast.read"\nwrite_call = "mast.write"\n'
    'form = "per loop"\nkp = 6.0\nki = 0.01\n'
    + "".join(
        f'[[wheel]]\nname = "{name}"\nread_call = "drive.{name}.steer.read"\n'
        for name in ("front_left", "rear_right")
    )
    + "[steering]\nmax_rate_deg_s = 360\n"
)


def test_plan_says_what_the_new_pace_does(tmp_path, capsys):
    """The constants that keep the behaviour, and the spread of the angles before and after."""
    (tmp_path / "looptime.toml").write_text(STATED)
    change = ["--change", "batch drive.*.steer.read"]
    assert run(["plan", LOG, *change]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Controllers that ignore the step" in shown
    assert "Steered wheels as a set: angles read apart 4.7 -> 0 ms" in shown
    assert run(["plan", LOG, *change, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    before, after = (found[s]["period_ms"]["mean"]["value"] for s in ("baseline", "predicted"))
    shift = found["controllers"]
    assert shift["integral"] == pytest.approx(before / after)
    assert shift["derivative"] == pytest.approx(after / before)
    assert shift["keep"][0]["ki"] == pytest.approx(0.01 * after / before)
    assert found["steering"]["after"]["read_spread_ms"]["value"] == 0.0


def test_compare_says_what_the_new_pace_did(tmp_path, capsys):
    """Nothing where no controller is stated, the constants where one is."""
    pair = [LOG, "--against", str(folder() / "batched_reads.csv.gz")]
    run(["compare", *pair])
    assert "gains" not in " ".join(capsys.readouterr().out.split())
    (tmp_path / "looptime.toml").write_text(STATED)
    run(["compare", *pair])
    assert "(mast: ki 0.0077)" in " ".join(capsys.readouterr().out.split())


def test_a_planned_run(capsys):
    """With a remedy the figures are those of the run that the plan predicts."""
    change = "batch drive.*.read"
    assert run(["control", LOG, *ONE, "--change", change, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert run(["plan", LOG, "--change", change, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["predicted"]["rate_hz"]["value"]
    assert found["rate_hz"] == pytest.approx(told, rel=0.01)
    assert found["notes"][0] == f"predicted, with {change}"


def test_a_fit_is_told_in_the_first_lines(tmp_path, capsys):
    """A mast of 0.8 m/s and 0.12 s, played exactly from write to write, as the guide says it."""
    rows, x, v, out, was = [], 0.0, 0.0, 0.0, 0.0
    for k in range(3000):
        read, write = 0.02 * k + 0.001, 0.02 * k + 0.010
        for at, then in ((read, "read"), (write, "write")):
            step, fade = at - was, math.exp(-(at - was) / 0.12)
            x += 0.8 * out * step + (v - 0.8 * out) * 0.12 * (1 - fade)
            v = 0.8 * out + (v - 0.8 * out) * fade
            was = at
            rows.append(f"{k},mast.{then},{1e6 * at - 500:.0f},500,,")
            if then == "write":
                out = (0.8, -0.5, 0.3, -0.6)[k // 90 % 4]
            name, value = ("mast_m", x) if then == "read" else ("mast_output", out)
            rows.append(f"{k},{name},{1e6 * at:.0f},,signal,{value:.6f}")
    log = tmp_path / "log.csv"
    log.write_text("loop,name,start_us,duration_us,mark,value\n" + "\n".join(rows), "utf-8")
    asked = "--read-call mast.read --write-call mast.write --plant position --kp 4"
    assert run(["control", str(log), *asked.split(), "--fit", "mast_output,mast_m"]) == 0
    lines = " ".join(capsys.readouterr().out.split()[:45])
    found = re.search(r"fit full_speed ([\d.]+) .*time_constant_ms ([\d.]+) ", lines)
    assert [float(x) for x in found.groups()] == pytest.approx([0.8, 120], rel=0.01)
    assert "give --fit" not in lines
    assert run(["control", str(log), "--fit", "mast_output,mast_m"]) == 0
    lines = " ".join(capsys.readouterr().out.split())
    found = re.match(r"Fit of mast_m to mast_output: full_speed ([\d.]+) .*_ms ([\d.]+) ", lines)
    assert [float(x) for x in found.groups()] == pytest.approx([0.8, 120], rel=0.01)
    assert "taken as a position" in lines
    assert "give the gains" in lines
    assert run(["control", str(log), "--fit", "mast_output,mast_m", "--json"]) == 0
    fit = json.loads(capsys.readouterr().out)["controllers"][0]["fit"]
    assert fit["used"]
    assert (fit["plant"], fit["output"], fit["measured"]) == ("position", "mast_output", "mast_m")


def test_a_move_that_stays_off_its_target_never_settles(capsys):
    """A proportional gain of 0.02 holds a speed of 5 at full output at a tenth of its target."""
    asked = [*ONE[:4], "--kp", "0.02", "--plant", "speed", "--full-speed", "5",
             "--time-constant-ms", "200", "--target", "step:1"]  # fmt: skip
    assert run(["control", LOG, *asked]) == 0
    assert re.search(r"step:1 +0 / 0 +never / never ", capsys.readouterr().out)
