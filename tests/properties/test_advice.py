"""What a refusal advises leads on: never to itself, and never round in a circle."""

import re

import numpy as np
import pytest

from looptime.errors import LooptimeError
from looptime.parsers.read import read_log

ADVICE = {
    "by": re.compile(r"--by ([\w.]+)"),
    "layout": re.compile(r"--layout (\w+)"),
    "unit": re.compile(r"--unit (ns|us|ms|s)\b"),
    "columns": re.compile(r'--columns "([^"]+)"'),
}


def rows_of_senders(rng, words, steps):
    """Rows of several senders, each at its own pace, with a word of each list in each row."""
    rows = []
    for who in range(3):
        at = np.cumsum(rng.uniform(0.9, 1.1, 80) * steps[who]) + 100 * who
        rows += [(t, who) for t in at]
    return [
        ",".join([f"{t:.1f}", *(some[(who + place) % len(some)] for place, some in
                                enumerate(words))]) for t, who in sorted(rows)
    ]  # fmt: skip


def events(rng, words, loops=80):
    """Begins and ends of a loop's calls on one thread, and events of other words between."""
    rows, at = [], 0.0
    for k in range(loops):
        rows.append(f"{at:.1f},ctl,{words[0]},pass")
        for call, takes in (("sense", 2600), ("act", 1900)):
            at += rng.uniform(5, 900)
            rows.append(f"{at:.1f},ctl,{words[0]},{call}")
            at += takes * rng.uniform(0.9, 1.1)
            rows.append(f"{at:.1f},ctl,{words[1]},{call}")
        rows.append(f"{at + 5:.1f},ctl,{words[1]},pass")
        at += 30
        for extra in words[2:]:
            rows.append(f"{at + rng.uniform(1, 700):.1f},radio,{extra},queue{k % 2}")
    return sorted(rows, key=lambda row: float(row.split(",")[0]))


def logs():
    rng = np.random.default_rng(8)
    senders = [["rx", "tx", "ack"], ["a", "b", "c"], ["front", "rear", "mast"]]
    for count in (1, 2, 3):
        head = ",".join(["t_us", "kind", "robot", "place"][: count + 1])
        for steps in ((20000, 20000, 20000), (20000, 31000, 47000)):
            yield head, rows_of_senders(rng, senders[:count], steps)
    for words in (("begin", "end"), ("begin", "end", "push", "pop", "note"), ("go", "rest"),
                  ("go", "rest", "push"), ("begin", "end", "wait", "got", "free"),
                  ("a", "b", "c", "d"), ("begun", "over", "push", "pop")):  # fmt: skip
        for head in ("t_us,thread,event,name", "time,who,what,of", "t_ms,task,state,object"):
            yield head, events(rng, words)


@pytest.mark.parametrize(("head", "rows"), list(logs()))
def test_each_step_that_a_refusal_advises_leads_to_another_outcome(tmp_path, head, rows):
    path = tmp_path / "log.csv"
    path.write_text("\n".join([head, *rows]) + "\n")
    waiting: list[tuple[dict[str, str], list[str]]] = [({}, [])]
    looked_at = 0
    while waiting and looked_at < 40:
        options, said = waiting.pop()
        looked_at += 1
        try:
            read_log(path, cache=False, **options)
        except LooptimeError as error:
            text = re.sub(r"^\S+?: ", "", str(error))
            assert text not in said, (options, said)
            for key, pattern in ADVICE.items():
                for found in pattern.findall(text):
                    assert key not in options, (options, text)  # it would undo what was advised
                    waiting.append(({**options, key: found}, [*said, text]))
    assert not waiting
