"""The catalogue of layers and tables says what the files hold, and no number stands alone."""

from __future__ import annotations

import pytest
from built_samples import package_of

from geosite.handover.layers.catalogue import catalogue

WAITING: dict[str, set[str]] = {}
"""Numbers whose fact has no interval yet. A column leaves this list when its fact brings one."""


def test_every_number_has_its_interval_or_says_why_not() -> None:
    bare = {
        name: {
            column.name for column in columns.columns if column.kind == "real" and not column.exact
        }
        for name, (_, columns) in catalogue().items()
    }
    assert {name: found for name, found in bare.items() if found} == WAITING


@pytest.mark.slow
@pytest.mark.parametrize("sample", ["ferry_landing", "jetty_feet"])
def test_layers_and_tables_are_those_of_the_catalogue(sample: str) -> None:
    made = package_of(sample)
    for one in (*made.layers, *made.tables):
        form, columns = catalogue()[one.name]
        assert (one.title, one.description) == (form.title, form.description)
        assert [f.name for f in one.fields] == [f.name for f in columns.fields]
        assert [f.description for f in one.fields] == [f.description for f in columns.fields]
        assert all(list(record) == [f.name for f in one.fields] for record in one.records)


def test_names_of_columns_are_told_apart_and_described() -> None:
    for name, (form, columns) in catalogue().items():
        names = [f.name for f in columns.fields]
        assert len(set(names)) == len(names), name
        assert form.title
        assert all(f.description.endswith(".") for f in columns.fields), name
        assert all(f.name == f.name.lower() for f in columns.fields), name
