"""What a change of the loop's pace does to controllers whose code ignores the step."""

from collections.abc import Sequence

from looptime.analysers.waits import gain_factors
from looptime.controllers import Controller
from looptime.records import dataclass

__all__ = ["GainShift", "Kept", "gain_shift"]

#: Changes of the pace below this share are not worth a word.
LEAST = 0.02


@dataclass(frozen=True)
class Kept:
    """Constants of one controller that keep its behaviour at the new pace."""

    name: str
    ki: float
    kd: float


@dataclass(frozen=True)
class GainShift:
    """Before and after a change of the pace, for code that ignores the step."""

    #: Mean periods.
    before_ms: float
    after_ms: float
    #: Factors by which they act afterwards.
    integral: float
    derivative: float
    #: Of the controllers stated that ignore the step and have an integral or a derivative.
    keep: tuple[Kept, ...]
    declared: bool  #: Whether any controller is stated

    @property
    def sentence(self) -> str:
        """In one line; empty where no controller that ignores the step is stated."""
        if abs(self.integral - 1) < LEAST or not self.keep:
            return ""
        alike: dict[str, list[str]] = {}
        for one in self.keep:
            alike.setdefault(_constants(one), []).append(one.name)
        names = "; ".join(f"{', '.join(who)}: {what}" for what, who in alike.items())
        return (
            f"Controllers that ignore the step: integral x {self.integral:.2f}, derivative x "
            f"{self.derivative:.2f}; to keep what they do ki x {1 / self.integral:.2f}, kd x "
            f"{1 / self.derivative:.2f}, or measure the step ({names})."
        )


def _constants(one: Kept) -> str:
    parts = [f"{word} {value:.3g}" for word, value in (("ki", one.ki), ("kd", one.kd)) if value]
    return ", ".join(parts)


def gain_shift(
    controllers: Sequence[Controller], before_ms: float | None, after_ms: float | None
) -> GainShift | None:
    """What goes from one mean period to another; None where either is not known.

    To keep what the code does, ``ki_new = ki T2/T1`` and ``kd_new = kd T1/T2``.

    Parameters
    ----------
    controllers : sequence of Controller
        As stated.
    before_ms, after_ms : float or None [ms]
        Mean periods.

    Examples
    --------
    >>> shift = gain_shift([Controller("mast", form="per loop", kp=1, ki=0.1)], 26.0, 20.0)
    >>> round(shift.integral, 2), round(shift.keep[0].ki, 4)
    (1.3, 0.0769)
    """
    if not before_ms or not after_ms:
        return None
    factors = gain_factors(before_ms, after_ms)
    keep = tuple(
        Kept(one.name, one.ki / factors.integral, one.kd / factors.derivative)
        for one in controllers
        if one.runs_on == "robot" and one.form in ("per loop", "fixed step") and (one.ki or one.kd)
    )
    return GainShift(
        before_ms, after_ms, factors.integral, factors.derivative, keep, bool(controllers)
    )
