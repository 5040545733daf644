"""Planted slow-downs on the rig, with real clocks: ``python -m tests.benchmarks.rig_checks``.

Records the plain program and three slowed ones in the order ABBA, three runs a side, and holds what
``compare`` says against what was planted: 3 % more on every transaction, 10 % more in one call, and
more stalls in the tail only. The plain runs are also compared among themselves. Needs a JDK and
takes eighteen recordings of the length given by ``--seconds``.
"""

import argparse
import tempfile
from pathlib import Path

import looptime
from looptime.checks.compare.compare import compare
from tests.rig import record as rig
from tests.rig.variants import PLAIN, RECORDINGS

ROOT = Path(__file__).resolve().parents[2]
SLOWER = 1.03
#: What is planted: the settings that differ from the plain program's.
PLANTED: dict[str, dict[str, object]] = {
    "3 % on every transaction": {
        key: round(float(str(PLAIN[key])) * SLOWER, 4)
        for key in ("port_base_ms", "port_per_item_ms", "aux_base_ms", "aux_per_item_ms")
    },
    "10 % in gyro.read": {"gyro_factor": 1.1},
    "tail only": {"flush_s": 2.0, "flush_cost_ms": 12.0},
}


def main() -> None:
    """Record, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        classes, out = Path(folder, "classes"), Path(folder, "logs")
        classes.mkdir()
        rig.compile_rig(classes)

        def run(name: str, changed: dict[str, object]) -> Path:
            RECORDINGS[name] = (name, {"detail": "calls", **changed})
            return rig.record(name, out, classes, options.seconds, first=True)

        plain: list[Path] = []
        slowed: dict[str, list[Path]] = {}
        for number, (label, changed) in enumerate(PLANTED.items()):
            seed = 100 * number
            for k, side in enumerate("ABBAAB"):
                name = f"{number}{side}{k}"
                settings = {} if side == "A" else changed
                made = run(name, {"seed": seed + k + 1, **settings})
                (plain if side == "A" else slowed.setdefault(label, [])).append(made)
        project = looptime.Project.load(ROOT / "sample_logs" / "looptime.toml")
        every = [*plain, *(path for logs in slowed.values() for path in logs)]
        read = {path: looptime.read(path, project=project) for path in every}
    print(f"\n{'planted':28}{'verdict':18}{'mean %':>8}{'p99 %':>8}  slower calls")
    for number, (label, logs) in enumerate(slowed.items()):
        report(
            label, [read[p] for p in plain[3 * number : 3 * number + 3]], [read[p] for p in logs]
        )
    report("nothing (A/A)", [read[p] for p in plain[:3]], [read[p] for p in plain[3:6]])
    report("nothing (A/A)", [read[p] for p in plain[3:6]], [read[p] for p in plain[6:9]])
    report("nothing (A/A)", [read[p] for p in plain[0::2]], [read[p] for p in plain[1::2]])


def report(label: str, before: list[looptime.Run], after: list[looptime.Run]) -> None:
    """One line of the table."""
    found = compare(before, after)
    by_name = {change.statistic: change for change in found.changes}

    def percent(statistic: str) -> str:
        change = by_name.get(statistic)
        if change is None or not change.before or change.after is None:
            return "-"
        return f"{100 * (change.after / change.before - 1):+.1f}"

    worse = sorted({change.call for change in found.calls if change.verdict == "slower"})
    print(
        f"{label:28}{found.verdict:18}{percent('mean'):>8}{percent('p99'):>8}  {', '.join(worse)}"
    )


if __name__ == "__main__":
    main()
