"""What is told of coordinate operations, the same by every version of PROJ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest
from pyproj import CRS
from pyproj.transformer import TransformerGroup

from geosite.base.proj import operation_accuracy_m, operation_name, operation_steps

AXES = {"type": "Conversion", "name": "axis order change (2D)"}
PROJECTED = {"type": "Conversion", "name": "UTM zone 32N"}
SHIFTED = {"type": "Transformation", "name": "Ballpark geographic offset from unknown to ETRS89"}


@dataclass
class Operation:
    """As PROJ gives it: -1 where no accuracy is stated, as by 9.8 of projections alone."""

    accuracy: float | None
    steps: tuple[dict[str, Any], ...]

    def to_json_dict(self) -> dict[str, Any]:
        inner = {"type": "ConcatenatedOperation", "steps": list(self.steps[1:])}
        return {"type": "ConcatenatedOperation", "steps": [self.steps[0], inner]}


@pytest.mark.parametrize(
    ("stated", "steps", "told"),
    [
        (-1.0, (AXES, PROJECTED), 0.0),
        (None, (PROJECTED, AXES), 0.0),
        (-1.0, (SHIFTED, PROJECTED), None),
        (0.0, (SHIFTED, PROJECTED), 0.0),
        (2.5, (AXES, PROJECTED), 2.5),
    ],
)
def test_a_projection_alone_has_no_error_whatever_is_stated(
    stated: float | None, steps: tuple[dict[str, Any], ...], told: float | None
) -> None:
    assert operation_accuracy_m(Operation(stated, steps)) == told


def test_a_change_of_axes_has_no_name() -> None:
    assert operation_name(Operation(1.0, (AXES, SHIFTED, PROJECTED))) == (
        "Ballpark geographic offset from unknown to ETRS89 + UTM zone 32N"
    )
    assert [s["name"] for s in operation_steps(Operation(1.0, (PROJECTED, AXES)))] == [
        "UTM zone 32N"
    ]
    # northing first on both sides
    group = TransformerGroup(CRS("EPSG:31467"), CRS("EPSG:31468"), always_xy=True)
    assert operation_name(group.transformers[0]) == (
        "Inverse of 3-degree Gauss-Kruger zone 3 + 3-degree Gauss-Kruger zone 4"
    )
