"""A folder written with a copy that waits holds what one written without it holds."""

from __future__ import annotations

from pathlib import Path

import package_cases
import pytest

from geosite.base import shared_work
from geosite.fieldbook.sitefile import Handover
from geosite.fieldbook.starter import starter_files
from geosite.handover.folder import write
from geosite.handover.folder.write import waiting_writer, write_into


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.mark.parametrize(("most_sent", "readable"), [(20_000, True), (0, True), (20_000, False)])
@pytest.mark.slow
def test_what_a_waiting_copy_writes_is_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most_sent: int, readable: bool
) -> None:
    """Also where the package is too large to be sent, or the copy could not read the site file."""
    package, options = package_cases.ferry_landing(), Handover(spreadsheet=True)
    alone, shared = tmp_path / "alone", tmp_path / "shared"
    alone.mkdir()
    shared.mkdir()
    with monkeypatch.context() as one:
        one.setattr(shared_work, "processors", lambda: 1)
        names = write_into(alone, package, options)
    monkeypatch.setattr(shared_work, "processors", lambda: 2)
    monkeypatch.setattr(shared_work, "can_copy", lambda: True)
    monkeypatch.setattr(write, "MOST_SENT", most_sent)
    site = tmp_path / "site.toml"
    if readable:
        site.write_bytes(starter_files("paved-yard")["site.toml"])
    with waiting_writer(shared, site) as give:
        assert give is not None
        assert write_into(shared, package, options, give) == names
    assert contents(shared) == contents(alone)
    assert set(names) == set(contents(alone))
