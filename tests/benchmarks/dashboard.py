"""How fast the dashboard answers in a browser, on a prepared run of 10.5 million rows.

Run as ``python -m tests.benchmarks.dashboard [--loops N] [--repeat N]``. It needs Chromium and
prints a table: the first page from the request to the drawn figures, then each kind of
interaction (median and 95 % of its times, the worst, how much of it passed while a request was
under way, the requests and the server's processor time), and the server's memory.

An interaction is over when what was asked for is drawn: the page's words are the new ones, and no
figure within the window is yet to be drawn. One process writes the log and reads it once, so that
its prepared copy is there; the server is another one, so that neither the making nor the browser
slows it down or counts as its memory.
"""

import argparse
import hashlib
import multiprocessing
import os
import shutil
import statistics
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tests.build_run import make_flat_run

CALLS = 21
ROWS = 10_500_000
NAMES = {
    "gyro.read": "sensor read", "telemetry.write": "telemetry",
    **{f"drive.wheel{k}.write": "actuator write" for k in range(8)},
    **{f"drive.wheel{k}.read": "sensor read" for k in range(8)},
    "mast.read": "sensor read", "drive.update": "compute", "gripper.write": "actuator write",
}  # fmt: skip
HEADER = (
    b"# looptime-recorder: java 1\n# clock: monotonic\n"
    b"loop,thread,seq,name,start_us,duration_us,phase,mark,value\n"
)
BLOCK = 40_000


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


def write_log(path: str, loops: int) -> None:
    """Write the run as a recorder would, and read it once, which keeps a prepared copy."""
    import pyarrow as pa
    from pyarrow import csv

    import looptime

    run = big_run(loops)
    calls, at = run.call_columns, run.loop_columns
    names = [*(n.name for n in run.names), "loop"]
    seq = 0
    with Path(path).open("wb") as file:
        file.write(HEADER)
        for a in range(0, loops, BLOCK):
            b = min(loops, a + BLOCK)
            low, high = np.searchsorted(calls.loop, [a, b])
            loop = np.concatenate([calls.loop[low:high], np.arange(a, b)])
            code = np.concatenate([calls.name[low:high], np.full(b - a, len(names) - 1)])
            start = np.concatenate([calls.start_ns[low:high], at.start_ns[a:b]])
            took = np.concatenate([calls.duration_ns[low:high], at.period_ns[a:b]])
            order = np.argsort(loop, kind="stable")  # the row of a loop comes after its calls
            rows = len(order)
            coded = pa.DictionaryArray.from_arrays(pa.array(code[order].astype(np.int32)), names)
            table = pa.table({
                "loop": loop[order], "thread": pa.repeat("main", rows),
                "seq": np.arange(seq, seq + rows), "name": coded.cast("string"),
                "start_us": start[order] / 1000.0, "duration_us": took[order] / 1000.0,
                "phase": pa.repeat("drive", rows), "mark": pa.nulls(rows, pa.string()),
                "value": pa.nulls(rows, pa.string()),
            })  # fmt: skip
            seq += rows
            plain = csv.WriteOptions(include_header=False, quoting_style="none")
            csv.write_csv(table, file, plain)
    os.utime(path, (time.time() - 60, time.time() - 60))
    looptime.read_log(path)


def serve(folder: str, told: Any) -> None:
    """The server: opens the log, prepares its summary, answers, then serves."""
    import threading

    from looptime_dashboards.serving import make_server
    from looptime_dashboards.view import View

    from looptime import Project

    server = make_server(folder, project=Project(budget_ms=25.0))
    desk = server.app.config["LOOPTIME_DESK"]  # type: ignore[attr-defined]
    key = hashlib.blake2b(next(Path(folder).glob("*.csv")).read_bytes(), digest_size=8).hexdigest()
    began = time.perf_counter()
    view = View(run=key)
    desk.open(view)
    opened = time.perf_counter()
    desk.prepare(view)
    told.send((server.server_port, key, opened - began, time.perf_counter() - opened))
    threading.Thread(target=_answer, args=(told,), daemon=True).start()
    server.serve_forever()


def _answer(told: Any) -> None:
    while True:
        asked = told.recv()
        told.send(time.process_time() if asked == "time" else _memory_mb())


def _memory_mb() -> dict[str, float]:
    """Memory now and at most [MiB], and its part that is no mapped file; 0 where it is not told."""
    names = ("VmRSS", "VmHWM", "RssAnon")
    try:
        text = Path("/proc/self/status").read_text(encoding="ascii")
    except OSError:
        return dict.fromkeys(names, 0.0)
    return {line.split(":")[0]: float(line.split()[1]) / 1024 for line in text.splitlines()
            if line.startswith(names)}  # fmt: skip


@dataclass
class Steps:
    """What one kind of step took, step by step."""

    took_ms: list[float] = field(default_factory=list)
    asked_ms: list[float] = field(default_factory=list)
    requests: list[int] = field(default_factory=list)
    server_ms: list[float] = field(default_factory=list)


GO = """([path, pairs]) => {
  const p = new URLSearchParams(location.search);
  for (const [k, v] of Object.entries(pairs)) {
    if (v === "") { p.delete(k); } else { p.set(k, v); } }
  performance.clearResourceTimings();
  window.stepAt = performance.now();
  history.pushState({}, "", path + "?" + p);
  window.dispatchEvent(new CustomEvent("_dashprivate_pushstate")); }"""
#: What there is within the window has been drawn, and the browser has had a frame to show it.
DRAWN = """(() => {
  const within = (e) => { const r = e.getBoundingClientRect();
    return r.top < innerHeight && r.bottom > 0; };
  const plots = [...document.querySelectorAll('#main .plot')].filter(within);
  return plots.every((p) => p.querySelector('.main-svg')); })()"""
TOLD = """() => {
  const took = performance.now() - window.stepAt;
  const parts = performance.getEntriesByType("resource")
    .filter((e) => e.name.includes("_dash-update") && e.startTime >= window.stepAt)
    .map((e) => [e.startTime, e.responseEnd]).sort((a, b) => a[0] - b[0]);
  let asked = 0, until = 0;
  for (const [a, b] of parts) { asked += Math.max(0, b - Math.max(a, until));
    until = Math.max(until, b); }
  return [took, asked, parts.length]; }"""


class Browser:
    """A page whose answers are timed from the step to the drawn result."""

    def __init__(self, page: Any, told: Any) -> None:
        self.page = page
        self.told = told
        self.steps: dict[str, Steps] = {}

    def go(self, what: str, search: dict[str, str], path: str, done: str) -> None:
        """Change the address as the page does, and wait until `done` holds."""
        before = self._server_s()
        self.page.evaluate(GO, [path, search])
        self.page.wait_for_function(f"() => ({done}) && {DRAWN}", polling="raf", timeout=60_000)
        took, asked, requests = self.page.evaluate(TOLD)
        mine = self.steps.setdefault(what, Steps())
        mine.took_ms.append(took)
        mine.asked_ms.append(asked)
        mine.requests.append(requests)
        mine.server_ms.append(1000 * (self._server_s() - before))

    def _server_s(self) -> float:
        self.told.send("time")
        found: float = self.told.recv()
        return found


def measure(browser: Browser, repeat: int, loops: int) -> None:
    """Pages, ranges, loops, remedies and motions, again and again."""
    title = "document.getElementById('page-title').textContent === '{}'"
    shown = " && document.querySelector('#page .card .main-svg, #page .ag-row') !== null"
    pages = (("/costs", "Where time goes"), ("/slow", "Slow loops"), ("/", "Pace"))
    numbers = np.random.default_rng(3).integers(0, loops, repeat)
    length = loops * 0.016
    for k in range(repeat):
        for path, name in pages:
            browser.go("page", {"start": "", "end": "", "loop": ""}, path,
                       title.format(name) + shown)  # fmt: skip
        loop = int(numbers[k])
        browser.go("loop", {"loop": str(loop)}, "/", "(document.querySelector('#loop-panel h2') || "
                   f"{{}}).textContent?.startsWith('Loop {loop} ')")  # fmt: skip
        begin = round(length * (0.1 + 0.4 * k / repeat))
        size = round(length * (0.003, 0.04, 0.08, 0.4)[k % 4])
        used = "(document.getElementById('used') || {}).textContent"
        before = browser.page.evaluate(f"() => {used}")
        browser.go("range", {"start": f"{begin}", "end": f"{begin + size}", "loop": ""}, "/",
                   f"{used} !== undefined && {used} !== {before!r} && "
                   "document.getElementById('choices').textContent.includes"
                   f"('{_shown(begin)} to {_shown(begin + size)} s')")  # fmt: skip
    browser.go(
        "page",
        {"start": "", "end": ""},
        "/changes",
        title.format("Changes") + " && document.querySelector('#page .card') !== null",
    )
    browser.page.wait_for_timeout(3000)
    for k in range(repeat):
        change = f"scale gyro.read by={0.3 + 0.02 * k:.2f}"
        browser.go("remedy", {"change": change}, "/changes",
                   f"document.getElementById('page').textContent.includes('{change}') && "
                   "document.querySelector('#page .main-svg') !== null")  # fmt: skip
    browser.page.wait_for_timeout(3000)
    for k in range(repeat):
        motion = f"steady:{60 + k}"
        browser.go("motion", {"change": "", "motion": motion}, "/heading",
                   "[...document.querySelectorAll('#page input')].some("
                   f"i => i.value === '{motion}') && "
                   "document.querySelector('#page .main-svg') !== null")  # fmt: skip


def _shown(value: float) -> str:
    from looptime.views.text.terminal import number

    return number(value, 5)


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--loops", type=int, default=ROWS // CALLS)
    parser.add_argument("--repeat", type=int, default=12)
    given = parser.parse_args()
    spawn = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as place:
        os.environ["LOOPTIME_CACHE"] = str(Path(place) / "cache")  # for both processes
        folder = Path(place) / "logs"
        folder.mkdir()
        writer = spawn.Process(target=write_log, args=(str(folder / "long run.csv"), given.loops))
        writer.start()
        writer.join()
        ours, theirs = spawn.Pipe()
        process = spawn.Process(target=serve, args=(str(folder), theirs), daemon=True)
        process.start()
        try:
            _report(given, ours)
        finally:
            process.terminate()
            process.join()


def _report(given: argparse.Namespace, told: Any) -> None:
    from playwright.sync_api import sync_playwright

    port, key, opened, prepared = told.recv()
    print(f"{given.loops:,} loops, about {given.loops * CALLS:,} rows; prepared copy opened in "
          f"{opened:.1f} s, summary ready {prepared:.1f} s later")  # fmt: skip
    with sync_playwright() as p:
        chromium = p.chromium.launch(
            executable_path=shutil.which("chromium"),
            args=["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
                  "--disable-background-networking", "--disable-component-update",
                  "--disable-sync"],
        )  # fmt: skip
        page = chromium.new_page(viewport={"width": 1280, "height": 720})
        firsts = []
        for _ in range(4):
            began = time.perf_counter()
            page.goto(f"http://127.0.0.1:{port}/?run={key}")
            page.wait_for_function(
                f"() => document.querySelector('#page .main-svg') !== null && {DRAWN}",
                polling="raf", timeout=60_000,
            )  # fmt: skip
            firsts.append(time.perf_counter() - began)
        browser = Browser(page, told)
        try:
            measure(browser, given.repeat, given.loops)
        except Exception as error:  # what was measured until then is shown all the same
            print(f"stopped: {str(error).splitlines()[0]}")
        chromium.close()
    print(f"first page drawn: {firsts[0]:.2f} s cold, then with the browser's cache "
          + ", ".join(f"{s:.2f}" for s in firsts[1:]) + " s")  # fmt: skip
    _table(browser.steps)
    told.send("memory")
    memory = told.recv()
    print(f"server memory: {memory['VmRSS']:.0f} MiB now ({memory['RssAnon']:.0f} without mapped "
          f"files), {memory['VmHWM']:.0f} MiB at most")  # fmt: skip
    if hasattr(os, "getloadavg"):
        print(f"load of the machine at the end: {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores")


def _table(steps: dict[str, Steps]) -> None:
    heads = ("median ms", "p95 ms", "worst ms", "in requests", "requests", "server cpu")
    print(f"{'step':<10}{'n':>4}" + "".join(f"{h:>13}" for h in heads))
    for what, at in steps.items():
        ordered = sorted(at.took_ms)
        p95 = ordered[min(len(ordered) - 1, int(np.ceil(0.95 * len(ordered))) - 1)]
        figures = (statistics.median(ordered), p95, ordered[-1], statistics.median(at.asked_ms),
                   statistics.median(at.requests), statistics.median(at.server_ms))  # fmt: skip
        print(f"{what:<10}{len(ordered):>4}" + "".join(f"{f:>13.0f}" for f in figures))


if __name__ == "__main__":
    main()
