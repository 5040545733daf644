"""How fast the dashboard answers in a browser, on a prepared run of 10.5 million rows.

Run as ``python tests/benchmarks/dashboard.py [--loops N] [--repeat N]``. It needs Chromium and
prints a table: the first page from the request to the drawn figures, then each kind of
interaction (median and 95 % of its times, and the worst), and the server's memory.

The server is a process of its own, so that the browser and the measuring do not slow it down.
"""

from __future__ import annotations

import argparse
import multiprocessing
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.build_run import make_flat_run

CALLS = 21
KEY = "00000000000000aa"
NAMES = {
    "gyro.read": "sensor read", "telemetry.write": "telemetry",
    **{f"drive.wheel{k}.write": "actuator write" for k in range(8)},
    **{f"drive.wheel{k}.read": "sensor read" for k in range(8)},
    "mast.read": "sensor read", "drive.update": "compute", "gripper.write": "actuator write",
}  # fmt: skip


def big_run(loops: int) -> Any:
    """A run of `loops` loops with 21 calls each, stalls among them."""
    rng = np.random.default_rng(7)
    calls = {
        name: rng.gamma(60, 0.7e6 / 60, loops).astype(np.int64) for name in list(NAMES)[:CALLS]
    }
    slow = rng.random(loops) < 0.002
    calls["gyro.read"][slow] += 12_000_000
    calls["telemetry.write"][np.arange(loops) % 6 != 0] = -1
    spent = sum(np.maximum(c, 0) for c in calls.values())
    period = spent + rng.integers(20_000, 60_000, loops)
    return make_flat_run(period, calls, NAMES, source="long run")


def serve(loops: int, told: Any) -> None:
    """The server: makes the run, prepares its summary, answers, then serves."""
    import threading

    from looptime_dashboards.serving import make_server
    from looptime_dashboards.view import View

    from looptime import Project

    with tempfile.TemporaryDirectory() as folder:
        server = make_server(folder, project=Project(budget_ms=25.0))
    desk = server.app.config["LOOPTIME_DESK"]  # type: ignore[attr-defined]
    desk.library.add_run(KEY, "long run", big_run(loops))
    view = View(run=KEY)
    desk.phases(view)
    began = time.perf_counter()
    desk.prepare(view)
    told.send((server.server_port, time.perf_counter() - began))
    threading.Thread(target=_answer_memory, args=(told,), daemon=True).start()
    server.serve_forever()


def _answer_memory(told: Any) -> None:
    while told.recv() == "memory":
        told.send(_memory_mb())


def _memory_mb() -> tuple[float, float]:
    """Memory now and at most [MiB]; 0 where the system does not tell."""
    try:
        text = Path("/proc/self/status").read_text(encoding="ascii")
    except OSError:
        return 0.0, 0.0
    found = {line.split(":")[0]: float(line.split()[1]) / 1024 for line in text.splitlines()
             if line.startswith(("VmRSS", "VmHWM"))}  # fmt: skip
    return found.get("VmRSS", 0.0), found.get("VmHWM", 0.0)


class Browser:
    """A page whose answers are timed from the step to the drawn result."""

    def __init__(self, page: Any, base: str) -> None:
        self.page = page
        self.base = base
        self.times: dict[str, list[float]] = {}

    def go(self, what: str, search: dict[str, str], path: str, done: str) -> None:
        """Change the address as the page does, and wait until `done` holds."""
        self.page.evaluate(
            """([path, pairs]) => {
              const p = new URLSearchParams(location.search);
              for (const [k, v] of Object.entries(pairs)) {
                if (v === "") { p.delete(k); } else { p.set(k, v); } }
              window.stepAt = performance.now();
              history.pushState({}, "", path + "?" + p);
              window.dispatchEvent(new CustomEvent("_dashprivate_pushstate")); }""",
            [path, search],
        )
        self.page.wait_for_function(done, polling="raf", timeout=60_000)
        took = self.page.evaluate("performance.now() - window.stepAt")
        self.times.setdefault(what, []).append(took)


def measure(browser: Browser, repeat: int, loops: int) -> None:
    """Pages, ranges, loops, remedies and motions, again and again."""
    title = "() => document.getElementById('page-title').textContent === '{}'"
    drawn = " && document.querySelector('#page .card .main-svg, #page .ag-row') !== null"
    pages = (("/costs", "Where time goes"), ("/slow", "Slow loops"), ("/", "Pace"))
    numbers = np.random.default_rng(3).integers(0, loops, repeat)
    length = browser.page.evaluate("600")
    for k in range(repeat):
        for path, name in pages:
            browser.go("page", {"start": "", "end": "", "loop": ""}, path,
                       title.format(name) + drawn)  # fmt: skip
        loop = int(numbers[k])
        browser.go("loop", {"loop": str(loop)}, "/", "() => (document.querySelector('#loop-panel h2"
                   f"') || {{}}).textContent?.startsWith('Loop {loop} ')")  # fmt: skip
        begin = 30.0 * k
        size = (20, 300, length, 5000)[k % 4]
        used = "(document.getElementById('used') || {}).textContent"
        before = browser.page.evaluate(f"() => {used}")
        browser.go("range", {"start": f"{begin}", "end": f"{begin + size}", "loop": ""}, "/",
                   f"() => {used} !== undefined && {used} !== {before!r} && "
                   "document.getElementById('choices').textContent.includes"
                   f"('{_shown(begin)} to {_shown(begin + size)} s')")  # fmt: skip
    browser.go("page", {"start": "", "end": ""}, "/changes", "() => document.querySelector("
               "'#page .card') !== null && document.getElementById('page-title').textContent"
               " !== 'Pace'")  # fmt: skip
    for k in range(repeat):
        change = f"scale gyro.read by={0.3 + 0.02 * k:.2f}"
        browser.go("remedy", {"change": change}, "/changes",
                   f"() => document.getElementById('page').textContent.includes('{change}') && "
                   "document.querySelector('#page .main-svg') !== null")  # fmt: skip
    browser.page.wait_for_timeout(3000)
    for k in range(repeat):
        motion = f"steady:{60 + k}"
        browser.go("motion", {"change": "", "motion": motion}, "/heading",
                   f"() => [...document.querySelectorAll('#page input')].some("
                   f"i => i.value === '{motion}') && "
                   "document.querySelector('#page .main-svg') !== null")  # fmt: skip


def _shown(value: float) -> str:
    from looptime.views.terminal import number

    return number(value, 5)


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--loops", type=int, default=10_500_000 // CALLS)
    parser.add_argument("--repeat", type=int, default=12)
    given = parser.parse_args()
    from playwright.sync_api import sync_playwright

    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(
        target=serve, args=(given.loops, theirs), daemon=True
    )
    process.start()
    port, prepared = ours.recv()
    base = f"http://127.0.0.1:{port}"
    with sync_playwright() as p:
        chromium = p.chromium.launch(
            executable_path=shutil.which("chromium"),
            args=["--headless", "--no-sandbox", "--disable-gpu"],
        )
        page = chromium.new_page(viewport={"width": 1280, "height": 720})
        firsts = []
        for _ in range(3):
            began = time.perf_counter()
            page.goto(f"{base}/?run={KEY}")
            page.wait_for_selector("#page .js-plotly-plot .main-svg", timeout=60_000)
            firsts.append(time.perf_counter() - began)
        browser = Browser(page, base)
        try:
            measure(browser, given.repeat, given.loops)
        except Exception as error:  # what was measured until then is shown all the same
            print(f"stopped: {str(error).splitlines()[0]}")
        chromium.close()
    ours.send("memory")
    now, most = ours.recv()
    print(
        f"{given.loops:,} loops, about {given.loops * CALLS:,} rows; prepared in {prepared:.1f} s"
    )
    print(f"first page drawn: {firsts[0]:.2f} s cold, {firsts[-1]:.2f} s with the browser's cache")
    print(f"{'step':<10}{'n':>4}{'median ms':>12}{'p95 ms':>10}{'worst ms':>10}")
    for what, times in browser.times.items():
        ordered = sorted(times)
        p95 = ordered[min(len(ordered) - 1, int(np.ceil(0.95 * len(ordered))) - 1)]
        print(f"{what:<10}{len(times):>4}{statistics.median(times):>12.0f}{p95:>10.0f}"
              f"{ordered[-1]:>10.0f}")  # fmt: skip
    print(f"server memory: {now:.0f} MiB now, {most:.0f} MiB at most")
    process.terminate()


if __name__ == "__main__":
    main()
