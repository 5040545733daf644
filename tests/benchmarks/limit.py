"""How near reading a log comes to what the machine allows, and what other parsers would buy.

Run it as ``python -m tests.benchmarks.limit [--rows MILLIONS] [--times N]``. It writes one log with
quoted words and two columns of whole numbers [ns], and measures in turn, each in a process of its
own: the bytes read, the line ends found, and two columns parsed by a loop in C, which is the limit;
what libraries take for the same two columns and for all of them; and what looptime takes to read
the log and for its whole summary. Start-up, the same imports without the work, is taken off. What
is not installed (Polars, DuckDB, a C compiler) is left out and named.
"""

import argparse
import importlib.metadata
import importlib.util
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.reading import Figures, measure, write_log

#: The fourth and the fifth cell of each row, added up.
LOOP_IN_C = r"""
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
static long whole(char **at) {
    long value = 0;
    while (**at >= '0' && **at <= '9') value = 10 * value + (*(*at)++ - '0');
    return value;
}
int main(int argc, char **argv) {
    FILE *file = fopen(argv[1], "rb");
    size_t size = 4 << 20, kept = 0, got;
    char *data = malloc(2 * size + 1);
    long sum = 0;
    while ((got = fread(data + kept, 1, size, file))) {
        char *line = data, *end, *stop = data + kept + got;
        while ((end = memchr(line, '\n', stop - line))) {
            char *at = line;
            for (int cell = 0; cell < 3 && at; cell++)
                if ((at = memchr(at, ',', end - at))) at++;
            if (at) { sum += whole(&at); at++; sum += whole(&at); }
            line = end + 1;
        }
        memmove(data, line, kept = stop - line);
    }
    printf("%ld\n", sum);
    return 0;
}
"""
TWO = "['start_ns', 'end_ns']"
#: By what is measured: the imports, and the work on the file `log`.
WORK = {
    "read the bytes": ("", """
block = bytearray(4 << 20)
with open(log, "rb", buffering=0) as file:
    while file.readinto(block): pass
"""),
    "and find the line ends": ("import numpy as np", """
block = bytearray(4 << 20)
with open(log, "rb", buffering=0) as file:
    while got := file.readinto(block):
        np.count_nonzero(np.frombuffer(block, np.uint8, got) == 10)
"""),
    "Arrow, two columns": ("import pyarrow.csv as csv", f"""
csv.read_csv(log, convert_options=csv.ConvertOptions(include_columns={TWO}))
"""),
    "Arrow, all": ("import pyarrow.csv as csv", "csv.read_csv(log)"),
    "Polars, two columns": ("import polars", f"polars.read_csv(log, columns={TWO})"),
    "Polars, all": ("import polars", "polars.read_csv(log)"),
    "DuckDB, two columns": ("import duckdb", """
duckdb.sql(f"select sum(start_ns), sum(end_ns) from {log!r}").fetchall()
"""),
    "pandas, two columns": ("import pandas", f"pandas.read_csv(log, usecols={TWO})"),
    "looptime, read": ("import looptime.parsers.fresh, pyarrow.csv", """
import looptime
looptime.read(log, cache=False)
"""),
    "looptime, the summary": ("""import looptime.cli, looptime.parsers.fresh, pyarrow.csv
import looptime.questions.timing, looptime.views.text.summary_text
""", """
from looptime.cli import run
run(["summary", "--no-cache", log])
"""),
}  # fmt: skip
#: What each library is installed as; what it needs beside NumPy is counted with it.
LIBRARIES = {
    "pyarrow": ("pyarrow",), "polars": ("polars", "polars-runtime-32"), "duckdb": ("duckdb",),
    "pandas": ("pandas",),
}  # fmt: skip


def compiled(folder: Path) -> list[str] | None:
    """The loop in C as a program; None where there is no compiler."""
    compiler = next(filter(None, map(shutil.which, ("cc", "gcc", "clang"))), None)
    if compiler is None:
        return None
    source, program = folder / "limit.c", folder / "limit"
    source.write_text(LOOP_IN_C, encoding="utf-8")
    subprocess.run([compiler, "-O2", "-o", str(program), str(source)], check=True)
    return [str(program)]


def library(imports: str) -> str:
    """The library that is imported first."""
    return imports.removeprefix("import ").split(".")[0].split(" ")[0].split(",")[0]


def passes(folder: Path, log: Path, rows: int, times: int) -> None:
    """Print what each way through the log takes without its start-up."""
    loop = compiled(folder)
    taken = {name: (Figures(), Figures()) for name in WORK}
    there = {
        name: not imports or importlib.util.find_spec(library(imports)) is not None
        for name, (imports, _) in WORK.items()
    }
    limit = Figures()
    for turn in range(times + 1):  # the first fills caches and compiles
        for name, (imports, work) in WORK.items():
            if there[name]:
                for into, code in zip(taken[name], (imports, f"{imports}\n{work}"), strict=True):
                    script = f"import sys, gc; gc.set_threshold(400_000); log = sys.argv[1]\n{code}"
                    measure([sys.executable, "-c", script, str(log)], into if turn else Figures())
        if loop is not None:
            measure([*loop, str(log)], limit if turn else Figures())
    size = log.stat().st_size
    print(f"{rows:,} rows, words quoted, {size / 1e6:.0f} MB")
    if loop is None:
        print("and parse two columns, in C: left out, there is no C compiler")
    else:
        print(f"{'and parse two columns, in C':<30}{limit.typical:8.3f} s: the limit")
    for name, (start, whole) in taken.items():
        if not there[name]:
            print(f"{name:<30}left out, {library(WORK[name][0])} is not installed")
            continue
        cost = whole.typical - start.typical
        over = f"{cost / limit.typical:7.1f} x the limit" if loop else ""
        print(f"{name:<30}{cost:8.3f} s{1e9 * cost / rows:8.0f} ns/row{over}", flush=True)


def libraries(times: int) -> None:
    """Print how large each library is as installed, and what loading it takes."""
    bare = Figures()
    print(f"\n{'library':<12}{'version':>10}{'MB':>8}{'start-up s':>12}")
    for name, parts in LIBRARIES.items():
        if importlib.util.find_spec(name) is None:
            print(f"{name:<12}left out, not installed")
            continue
        loaded = Figures()
        for _ in range(times):
            measure([sys.executable, "-c", "import numpy"], bare)
            measure([sys.executable, "-c", f"import numpy, {name}"], loaded)
        files = [file for part in parts for file in importlib.metadata.files(part) or []]
        bytes_ = sum(p.stat().st_size for p in (Path(f.locate()) for f in files) if p.is_file())
        version = importlib.metadata.version(name)
        extra = loaded.typical - bare.typical
        print(f"{name:<12}{version:>10}{bytes_ / 1e6:8.0f}{extra:12.3f}", flush=True)


def main() -> None:
    """Print both tables."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--rows", type=float, default=2.0, metavar="MILLIONS")
    asked.add_argument("--times", type=int, default=5)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="looptime_limit_") as name:
        log = Path(name) / "log.csv"
        rows = write_log(log, int(given.rows * 1e6), quoted=True)
        passes(Path(name), log, rows, given.times)
    libraries(given.times)


if __name__ == "__main__":
    main()
