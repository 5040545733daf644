"""Types of arrays: integers may be as narrow as their values allow, so no width is assumed."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bool", "Complex", "Float", "Int"]

Float = NDArray[np.float64]
Int = NDArray[np.integer[Any]]
Bool = NDArray[np.bool_]
Complex = NDArray[np.complex128]
