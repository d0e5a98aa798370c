"""Types of the arrays that every room works with."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["Floats", "Ints"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
