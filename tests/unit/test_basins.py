"""The order in which basins fill, on elevations of either precision."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.terrain.basins import _ascending


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_elevations_of_any_size_and_sign_are_put_in_order(kind: type) -> None:
    rng = np.random.default_rng(7)
    z = np.concatenate([rng.normal(0, size, 200) for size in (1e-6, 1.0, 400.0)]).astype(kind)
    z[::7] = 1.5  # equal values keep their places
    z[3::50] = -12.25
    assert _ascending(z).tolist() == np.argsort(z, kind="stable").tolist()
