"""The tour: the whole job on the sample logs, step by step."""

from looptime.records import dataclass

__all__ = ["STEPS", "TourStep"]


@dataclass(frozen=True)
class TourStep:
    """One step of the tour."""

    title: str  #: What is done
    why: str  #: What the lead learns by it
    #: Arguments of the command line, typed in the folder of the sample logs, where the project file
    #: is found by itself.
    command: tuple[str, ...]

    @property
    def answers(self) -> bool:
        """Whether its command answers a question, and so can give the answer alone."""
        return self.command[0] not in ("recorder", "season")


#: The job in the order in which a team meets it.
STEPS: tuple[TourStep, ...] = (
    TourStep(
        "Put timing into the robot code",
        "One source file and a few lines a language; these are the files.",
        ("recorder", "--list"),
    ),
    TourStep(
        "See where each loop's time goes",
        "A robot that carries seedling trays reads its eight wheel encoders one by one.",
        ("summary", "single_reads.csv.gz"),
    ),
    TourStep(
        "Look at the slow loops",
        "Which loops stood out, what stretched in them, and what comes back.",
        ("slow", "single_reads.csv.gz", "--top", "5"),
    ),
    TourStep(
        "Ask what a remedy would buy, before anyone writes it",
        "One batched transaction for the eight encoders, and telemetry half as often.",
        ("plan", "single_reads.csv.gz", "--change", "batch drive.*.read", "--change",
         "every telemetry.write ms=200"),
    ),
    TourStep(
        "See what the pace means for the heading",
        "In degrees, and in millimetres on the floor; and the rate that 5 degrees need.",
        ("heading", "single_reads.csv.gz", "--motion", "turn:90,120,480", "--tolerance-deg", "5"),
    ),
    TourStep(
        "See what the pace does to the controllers",
        "The same batched read, before anyone writes it: gains, margins, and the steered wheels.",
        ("control", "single_reads.csv.gz", "--change", "batch drive.*.read"),
    ),
    TourStep(
        "Prove that the remedy worked",
        "The same robot, recorded again with the batched read.",
        ("compare", "single_reads.csv.gz", "--against", "batched_reads.csv.gz"),
    ),
    TourStep(
        "Look at the season",
        "Twelve recordings of the accepted code are the baseline.",
        ("season", "list", "--season", "season"),
    ),
    TourStep(
        "Check before the competition",
        "A new recording, in which one read has become a tenth slower: the gate must say so.",
        ("gate", "season_runs/changed.csv.gz", "--season", "season"),
    ),
    TourStep(
        "Go through the checklist in the pit",
        "The same recording, on one screen, with one next action.",
        ("pit", "season_runs/changed.csv.gz", "--season", "season"),
    ),
)  # fmt: skip
