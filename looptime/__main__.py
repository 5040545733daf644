"""``python -m looptime`` and the command ``looptime``."""

import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line and leave with its exit code."""
    try:
        from looptime.cli import run

        code = run(sys.argv[1:])
    except KeyboardInterrupt:  # before the command line is there to say it
        print("looptime: interrupted", file=sys.stderr)
        code = 130
    sys.exit(code)


if __name__ == "__main__":
    main()
