"""A figure with its uncertainty, and how figures become JSON."""

from __future__ import annotations

import math
from dataclasses import field, fields, is_dataclass
from typing import Any

import numpy as np

from looptime.records import dataclass

__all__ = ["Figure", "plain_value", "to_json"]


@dataclass(frozen=True)
class Figure:
    """A value with its interval; each is None where the data do not carry it.

    Parameters
    ----------
    value, low, high : float or None
    level : float
        Share of such intervals that hold what they are about.

    Examples
    --------
    >>> Figure(10.2, 10.1, 10.3).to_dict()
    {'value': 10.2, 'low': 10.1, 'high': 10.3}
    >>> Figure(2.0, 1.0, level=0.9).scaled(1000)
    Figure(value=2000.0, low=1000.0, high=None, level=0.9)
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    level: float = field(default=0.95, kw_only=True)

    def to_dict(self) -> dict[str, float | None]:
        """The three numbers; undefined ones are None."""
        return {
            "value": plain_value(self.value),
            "low": plain_value(self.low),
            "high": plain_value(self.high),
        }

    def scaled(self, factor: float) -> Figure:
        """The figure in another unit."""
        at = [None if v is None else v * factor for v in (self.value, self.low, self.high)]
        return Figure(*at, level=self.level)

    @property
    def level_text(self) -> str:
        """The level in words: ``95 %``."""
        return f"{100 * self.level:g} %"


def plain_value(value: Any) -> Any:
    """A NumPy scalar as the Python number it holds; what is not finite becomes None.

    Examples
    --------
    >>> plain_value(np.float64("nan")) is None, plain_value(np.int64(3))
    (True, 3)
    """
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def to_json(value: Any) -> Any:
    """Frozen results, tuples and NumPy values as what JSON holds.

    A dataclass becomes a dict of its public fields, unless it has a `to_dict` of its own.
    """
    own = getattr(value, "to_dict", None)
    if own is not None and not isinstance(value, type):
        return own()
    if is_dataclass(value) and not isinstance(value, type):
        return {
            f.name: to_json(getattr(value, f.name))
            for f in fields(value)
            if not f.name.startswith("_")
        }
    if isinstance(value, dict):
        return {key: to_json(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [to_json(item) for item in value]
    if isinstance(value, np.ndarray):
        return [plain_value(item) for item in value]
    return plain_value(value)
