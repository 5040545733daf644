"""``python -m looptime`` and the command ``looptime``."""

import gc
import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line and leave with its exit code."""
    gc.set_threshold(50_000)  # loading the modules makes many objects and hardly any garbage
    try:
        from looptime.cli import run

        code = run(sys.argv[1:])
    except KeyboardInterrupt:  # before the command line is there to say it
        sys.stderr.write("looptime: interrupted\n")
        code = 130
    gc.freeze()  # all goes with the process: no need to sift it once more
    sys.exit(code)


if __name__ == "__main__":
    main()
