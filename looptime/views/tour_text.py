"""The tour: the whole job on the sample logs, step by step."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["STEPS", "Step"]


@dataclass(frozen=True)
class Step:
    """One step of the tour.

    Parameters
    ----------
    title : str
        What is done.
    why : str
        What the lead learns by it.
    command : tuple of str
        Arguments of the command line; words that name a sample log begin with ``@``.
    """

    title: str
    why: str
    command: tuple[str, ...]


#: The job in the order in which a team meets it.
STEPS: tuple[Step, ...] = (
    Step(
        "Put timing into the robot code",
        "One source file and a few lines a language; this lists them.",
        ("recorder", "--list"),
    ),
    Step(
        "See where each loop's time goes",
        "A robot that carries seedling trays reads its wheel encoders one by one.",
        ("summary", "@single_reads.csv.gz"),
    ),
)
