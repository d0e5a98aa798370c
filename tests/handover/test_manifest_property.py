"""Any change of any byte of any listed file is found."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geosite.handover.folder.manifest import verify, write_manifest

PROFILE = settings(max_examples=60, deadline=None, derandomize=True)


@pytest.mark.slow
@PROFILE
@given(st.lists(st.binary(max_size=50), min_size=1, max_size=4), st.data())
def test_a_changed_file_is_named(contents: list[bytes], data: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = [(f"{i}.bin", "x") for i in range(len(contents))]
        for (file, _), content in zip(files, contents, strict=True):
            (folder / file).write_bytes(content)
        write_manifest(folder, {}, files)
        assert verify(folder) == ()
        changed = data.draw(st.integers(0, len(contents) - 1))
        other = data.draw(st.binary(max_size=50))
        assume(other != contents[changed])
        (folder / f"{changed}.bin").write_bytes(other)
        (problem,) = verify(folder)
        assert problem.file == str(folder / f"{changed}.bin")
