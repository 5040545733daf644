"""A swing of a controlled value in words."""

from looptime.controlling import Controlled
from looptime.controlling.oscillation import Oscillation
from looptime.controlling.swings import GROWS
from looptime.views.text.terminal import figure, number

__all__ = ["swing_words"]


def swing_words(one: Controlled) -> str:
    """How fast and how far a value swings, and how it dies away or whose swing it is."""
    at, fit = one.oscillation, one.fit
    assert at is not None
    assert fit is not None
    hz, ratio = at.frequency_hz, at.damping_ratio
    hertz = figure(hz.value, hz.low, hz.high)
    if at.growth is not None:
        return _steady_words(at, fit.measured, hertz)
    far = "" if at.amplitude is None else f" by {number(at.amplitude)} to each side"
    dies = f"with a damping ratio of {figure(ratio.value, ratio.low, ratio.high)}"
    if ratio.value is None:
        dies = "and settles into a swing of a size of its own"
    rests = fit.output if at.of == "mechanism" else "its target"
    text = f"While {rests} rests {fit.measured} swings at {hertz} Hz{far} {dies}"
    if at.of == "loop" and at.in_loop:
        text += ": the loop swings by its own gains, lower them"
    return f"{text}."


def _steady_words(at: Oscillation, measured: str, hertz: str) -> str:
    """A swing that goes on, where it is seen, and what tells the loop's from another's."""
    assert at.growth is not None
    text = f"{measured} swings at {hertz} Hz by {number(at.amplitude or 0.0)} to each side"
    text += f" between {number(at.begin_s or 0.0)} and {number(at.end_s or 0.0)} s"
    if at.growth > GROWS:
        text += ", and the swing grows"
    if at.in_loop:
        return (
            f"{text}: its output moves the fitted mechanism so, the loop swings; lower the gains."
        )
    return (
        f"{text}; what of it stays with half the gains comes from outside the loop, the rest is "
        "its own."
    )
