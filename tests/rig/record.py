"""Record the sample logs: ``python -m tests.rig.record [NAME ...]``.

Each recording runs the rig once, compresses its log exactly as the recorder wrote it and puts
beside it, as NAME.truth.json, what the rig was told and what it counted itself. Needs a JDK. Best
run on a machine that does nothing else; where the system lets it, the rig has priority.
"""

import argparse
import gzip
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from looptime.recorders import sources
from tests.rig.variants import PLAIN, RECORDINGS, RELATED

HERE = Path(__file__).resolve().parent
TOP = HERE.parent.parent
JAVA_OPTIONS = ("-XX:+UseSerialGC", "-Xms64m", "-Xmx64m", "-Xmn16m")


def rig_files() -> list[Path]:
    """The sources of the Java rig and its recorder."""
    return [sources()["java"], *sorted(HERE.glob("*.java"))]


def compile_rig(folder: Path, files: list[Path] | None = None) -> None:
    """Compile the Java rig and recorder, or the files given, into a folder.

    Raises
    ------
    RuntimeError
        If there is no Java compiler, or it refuses.
    """
    compiler = shutil.which("javac")
    if compiler is None:
        raise RuntimeError("no javac: install a JDK")
    names = map(str, files or rig_files())
    subprocess.run([compiler, "--release", "8", "-nowarn", "-d", str(folder), *names], check=True)


def with_priority(command: list[str]) -> list[str]:
    """Ask for real-time scheduling, else a high priority, where the system grants it."""
    for tool, *options in (("chrt", "-f", "10"), ("nice", "-n", "-15")):
        path = shutil.which(tool)
        if path is None:
            continue
        trial = [path, *options, "true"]
        if subprocess.run(trial, check=False, capture_output=True).returncode == 0:
            return [path, *options, *command]
    return command


def rig_command(settings: dict[str, Any], language: str, classes: Path) -> list[str]:
    """Return the command that runs the rig with these settings."""
    if language == "java":
        command = ["java", *JAVA_OPTIONS, "-cp", str(classes), "Rig"]
    else:
        command = [sys.executable, "-m", "tests.rig.rig"]
    return command + [f"{key}={value}" for key, value in settings.items()]


def record(
    name: str,
    out: Path,
    classes: Path,
    seconds: float | None = None,
    *,
    first: bool = False,
    least_loops: int = 0,
) -> Path:
    """Make one recording.

    Parameters
    ----------
    name : str
        A key of `RECORDINGS`; what stands before a slash is a folder.
    out : Path
        Folder for ``NAME.csv.gz`` and ``NAME.truth.json``.
    classes : Path
        Folder of the compiled Java rig.
    seconds : float, optional
        Length [s], if not the one in the table.
    first : bool
        Whether the rig goes before all else that the machine has to do.
    least_loops : int
        It goes on until there are so many, however slow the machine.

    Returns
    -------
    Path
        The log.
    """
    shows, changed = RECORDINGS[name]
    settings = {**PLAIN, **changed}
    if seconds is not None:
        settings["seconds"] = seconds
    language = str(settings.pop("language"))
    log = out / f"{name}.csv.gz"
    log.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        places = {"out": folder, "name": log.name[:-7], "truth": str(Path(folder, "truth.json"))}
        told = {**settings, **places, "least_loops": least_loops}
        command = rig_command(told, language, classes)
        subprocess.run(with_priority(command) if first else command, check=True, cwd=TOP)
        counted = json.loads(Path(places["truth"]).read_text(encoding="utf-8"))
        (written,) = Path(folder).glob("*.csv")
        log.write_bytes(gzip.compress(written.read_bytes(), 9, mtime=0))
    truth = {"shows": shows, **RELATED.get(name, {}), "language": language, "settings": settings}
    text = json.dumps({**truth, "counted": counted}, indent=1)
    log.with_name(f"{places['name']}.truth.json").write_text(text + "\n", encoding="utf-8")
    print(
        f"{name}: {counted['loops']} loops, mean {counted['mean_period_ms']:.3f} ms, "
        f"{counted['overruns']} overruns, {log.stat().st_size} bytes",
        flush=True,
    )
    return log


def main() -> None:
    """Make the recordings asked for, or all."""
    parser = argparse.ArgumentParser(description="Record the sample logs with the rig.")
    parser.add_argument("names", nargs="*", metavar="NAME", help="default: all; see variants.py")
    parser.add_argument("--out", type=Path, default=TOP / "sample_logs")
    parser.add_argument("--seconds", type=float, help="length of each recording")
    options = parser.parse_args()
    unknown = [name for name in options.names if name not in RECORDINGS]
    if unknown:
        parser.error(f"no recording {unknown[0]!r}: choose from {', '.join(RECORDINGS)}")
    with tempfile.TemporaryDirectory() as classes:
        compile_rig(Path(classes))
        for name in options.names or RECORDINGS:
            record(name, options.out, Path(classes), options.seconds, first=True)


if __name__ == "__main__":
    main()
