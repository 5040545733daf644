"""What is said of levels of pins: how they are read, and what else they may be."""

from looptime.parsers.lines.pin_rows import Levels
from looptime.parsers.lines.pin_senses import Pin

__all__ = ["ROWS", "doubt", "in_turns", "length_of", "listed", "notes_of", "rows_or_pins"]

#: How rows that may be levels of pins are read as loops.
ROWS = "--layout stamps if each row is a loop"
_LISTED = 4


def rows_or_pins(loop: Pin, period: float, told: Levels, step: float) -> str:
    """What is said where rows are samples, or loops that note the states of something."""
    way = f"write the levels alone, without {listed(told.others or [])}"
    if not told.others:
        way = "call the pin that goes round once a loop 'loop'"
    return (
        f"fits two ways: each row is a loop of {length_of(step, told)}, or pins are sampled and a "
        f"loop lasts from one rise of {loop.name!r} to the next, {length_of(period, told)}: say "
        f"{ROWS}; if they are samples, {way}"
    )


def in_turns(loop: Pin, up: float, down: float, told: Levels) -> str:
    """What is said of rows with the level of one pin, which is not high as long as low."""
    return (
        f"fits two ways: {loop.name!r} is written inverted once a loop, so each row is a loop, of "
        f"{length_of(up, told)} and {length_of(down, told)} in turns, or it is high while a loop "
        f"works and a loop takes {length_of(up + down, told)}: say {ROWS}; if each second row "
        "begins one, write the pin's name in each, as in `time,pin,level`, or put another call on "
        "a pin of its own"
    )


def length_of(length: float, told: Levels) -> str:
    """A length as it is said.

    Parameters
    ----------
    length : float
        In units of the log's own.
    told : Levels
        Tell the unit.
    """
    text = f"{float(f'{length:.3g}'):,.10g}"
    return f"{text} {told.unit}" if told.unit else text


def doubt(loop: Pin) -> str:
    """What a loop is taken to be, and what else it may be."""
    if loop.toggled:
        return (
            f"{loop.name!r} is high as long as low: it is taken for a pin that is written inverted "
            "once a loop, so each change begins one; if it is high while the loop works, a loop "
            "is twice as long: put another call on a pin of its own to tell"
        )
    return (
        f"a loop is taken to last from one rise of {loop.name!r} to the next; if it is written "
        "inverted once a loop, each change begins one and a loop is half as long: put another "
        "call on a pin of its own to tell"
    )


def notes_of(told: Levels, pins: list[Pin], loop: Pin, step: float | None) -> list[str]:
    """How the levels are read."""
    low = [pin.name for pin in pins if pin.inverted]
    said = "the levels of pins are read as calls: each lasts while its pin is high"
    if low:
        said += f", of {listed(low)} while it is low, as then calls lie within each other"
    if loop.toggled:
        said += f"; {loop.name!r} is written inverted once a loop"
    notes = [said]
    if told.others:
        notes.append(f"{listed(told.others)} is left out: its values are no levels")
    left = [name for name in told.names if name not in {pin.name for pin in pins}]
    if left:
        notes.append(f"{listed(left)} is left out: at one level for several loops, or for all")
    if step is not None:
        unit = f" {told.unit}" if told.unit else ""
        notes.append(f"pins were sampled each {step:g}{unit}: no change is known more closely")
    return notes


def listed(names: list[str]) -> str:
    """The first of the names."""
    return ", ".join(map(repr, names[:_LISTED])) + ", ..." * (len(names) > _LISTED)
