"""The table ``peak_flows``: what inlets take at the peak of a rain."""

from __future__ import annotations

from collections.abc import Sequence

from geosite.analysis.peak_flows import PeakFlow
from geosite.base.columns import Columns, interval, real, text
from geosite.handover.model import Form, Table

__all__ = ["COLUMNS", "PEAK_FLOWS", "table"]

PEAK_FLOWS = Form(
    "peak_flows",
    "Peak flows",
    "Peak flow into each inlet by the rational method, Q = C i A. No design of pipes or inlets: a "
    "licensed professional decides; the rainfall for the time of concentration is the user's.",
)

COLUMNS: Columns[PeakFlow] = Columns(
    (
        text("inlet", "Name of the inlet.", lambda f: f.inlet),
        interval("area_m2", "Ground that drains to it.", lambda f: f.area_m2, "m2"),
        real(
            "roof_m2",
            "Roofs that drain to it.",
            lambda f: f.roof_m2,
            "m2",
            exact="areas of buildings, with their interval in the take-off",
        ),
        real(
            "runoff_coefficient",
            "Share of the rain that runs off, by area.",
            lambda f: f.coefficient,
            exact="given by the codes",
        ),
        real(
            "rainfall_mm_per_hour",
            "Intensity of the rain.",
            lambda f: f.rainfall_mm_per_hour,
            exact="given by the site file",
        ),
        interval(
            "flow_lps",
            "Peak flow, litres per second; the interval is that of the area.",
            lambda f: f.flow_l_s,
            "l/s",
        ),
    )
)


def table(flows: Sequence[PeakFlow]) -> Table:
    """Return one row per inlet.

    Examples
    --------
    >>> from geosite.base.estimate import Estimate
    >>> area, flow = Estimate(400.0, 380.0, 420.0), Estimate(10.0, 9.5, 10.5)
    >>> (row,) = table([PeakFlow("G1", area, 0.0, 0.9, 0.0, 100.0, flow)]).records
    >>> row["inlet"], [value for name, value in row.items() if name.endswith("lps")]
    ('G1', [10.0, 9.5, 10.5])
    """
    return PEAK_FLOWS.table(COLUMNS, COLUMNS.records(flows))
