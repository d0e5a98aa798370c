"""Types of the arrays that every room works with.

Whole numbers of a value per row of a long field book are kept in four bytes (`Shorts`).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["Floats", "Ints", "Shorts"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Shorts = npt.NDArray[np.int32]
