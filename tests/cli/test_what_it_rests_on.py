"""Every command says in its first sentence what its figures rest on though little shows it."""

import json

import numpy as np
import pytest

from looptime import cli

COMMANDS = {
    "summary": ["summary", "{a}"], "slow": ["slow", "{a}"], "plan": ["plan", "{a}"],
    "one plan": ["plan", "{a}", "--change", "batch gyro*"], "heading": ["heading", "{a}"],
    "compare": ["compare", "{b}", "--against", "{a}"], "gate": ["gate", "{a}"],
    "pit": ["pit", "{a}"], "one loop": ["slow", "{a}", "--loop", "700"],
}  # fmt: skip


@pytest.fixture
def logs(tmp_path, monkeypatch):
    """Two logs of 1500 loops of 14 ms, with no word of a unit; and limits."""
    for seed, name in enumerate("ab"):
        rng, t, lines = np.random.default_rng(seed), 0.0, ["t,gyro.a,gyro.b,drive"]
        for _ in range(1500):
            took = [4, 3, 6] * rng.normal(1, 0.03, 3)
            lines.append(f"{t:.3f}," + ",".join(f"{one:.3f}" for one in took))
            t += took.sum() + 1
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    limits = "[limits]\nperiod_p99_ms = 30\n"
    (tmp_path / "looptime.toml").write_text(limits, encoding="utf-8")
    monkeypatch.chdir(tmp_path)


def _said(capsys, words, *options):
    cli.run([one.format(a="a.csv", b="b.csv") for one in words] + list(options))
    return " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("words", COMMANDS.values(), ids=COMMANDS)
def test_each_command_says_that_it_supposes_the_unit(logs, capsys, words):
    said = _said(capsys, words)
    assert "(if the times are in ms" in said
    assert "if the times" not in _said(capsys, words, "--unit", "ms")


def test_each_finding_says_so_too(logs, capsys):
    """A consumer of one finding sees it in its text; the clock holds it by itself."""
    log = json.loads(_said(capsys, ["summary", "a.csv", "--json"]))["logs"][0]
    assert log["clock"]["supposed"] == ["the times are in ms"]
    texts = [found["text"] for found in log["runs"][0]["findings"]]
    assert texts
    assert all(text.endswith("(if the times are in ms).") or "in ms). " in text for text in texts)
