"""Stated intervals against the measured truth of real motion tracking."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from real_tracking import recordings, surveys


@pytest.mark.slow
@pytest.mark.long
def test_an_unknown_device_keeps_what_it_promises_on_real_tracks() -> None:
    if not recordings():
        pytest.skip("the public recordings cannot be fetched here")
    from importlib import util

    path = Path(__file__).resolve().parents[1] / "benchmark" / "real_tracking.py"
    spec = util.spec_from_file_location("real_tracking_table", path)
    assert spec is not None
    assert spec.loader is not None
    table = util.module_from_spec(spec)
    sys.modules[spec.name] = table
    spec.loader.exec_module(table)
    cases = [
        case
        for recording in recordings()
        for closed in (False, True)
        for case in surveys(recording, closed=closed, count=5)
    ]
    shares, counts = table.table(cases, lambda _: {"class": "unknown"})
    # the surveys of the table in README, and its aim
    for group in ("open", "closed"):
        assert counts[group][1] == 0
        assert all(share >= 90.0 for share in shares[group].values())
