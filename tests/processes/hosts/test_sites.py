"""Finding sites opens no pipe, no device and nothing outside a site's folder."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from geosite.processes.hosts.sites import content_hash, find_sites, has_sites

SITE = '[site]\ntitle = "Jetty"\n[survey]\nfile = "{}"\n'


def soon(work: Callable[[], Any]) -> Any:
    """Return what work returned; fail where it has not ended after five seconds."""
    found: list[Any] = []
    thread = threading.Thread(target=lambda: found.append(work()), daemon=True)
    thread.start()
    thread.join(5)
    assert found, "it waits"
    return found[0]


@pytest.fixture
def yards(tmp_path: Path) -> Path:
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "good.toml").write_text(SITE.format("book.csv"))
    (folder / "book.csv").write_text("run,point,x,y,z\n")
    return folder


def pipe(path: Path) -> None:
    os.mkfifo(path)


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def sparse(path: Path) -> None:
    with path.open("wb") as stream:
        stream.truncate(5_000_000_000)


def long_key(path: Path) -> None:
    path.write_text("[survey]\n" + ".".join("a" * 100_000) + " = 1\n")


def deep_table(path: Path) -> None:
    path.write_text("[" + ".".join("a" * 100_000) + "]\nx = 1\n")


@pytest.mark.parametrize("make", [pipe, device, sparse, long_key, deep_table])
def test_what_is_no_site_file_is_told_by_its_build(
    make: Callable[[Path], None], yards: Path, tmp_path: Path
) -> None:
    make(yards / "bad.toml")
    found = soon(lambda: find_sites(yards, tmp_path / "out"))
    assert list(found) == ["bad", "good"]
    assert len(soon(lambda: content_hash(yards / "bad.toml"))) == 64


@pytest.mark.parametrize("make", [pipe, device])
def test_a_field_book_that_is_no_plain_file_is_not_opened(
    make: Callable[[Path], None], yards: Path
) -> None:
    (yards / "book.csv").unlink()
    make(yards / "book.csv")
    assert len(soon(lambda: content_hash(yards / "good.toml"))) == 64


@pytest.mark.parametrize("absolute", [True, False])
def test_a_field_book_outside_the_folder_is_not_opened(absolute: bool, yards: Path) -> None:
    (yards.parent / "other").mkdir()
    outside = yards.parent / "other/book.csv"
    (yards / "good.toml").write_text(
        SITE.format(outside if absolute else os.path.relpath(outside, yards))
    )
    before = content_hash(yards / "good.toml")
    outside.write_text("run,point,x,y,z\n")
    assert content_hash(yards / "good.toml") == before
    (yards / "book.csv").unlink()
    (yards / "book.csv").symlink_to(outside)
    (yards / "good.toml").write_text(SITE.format("book.csv"))
    linked = content_hash(yards / "good.toml")
    outside.write_text("run,point,x,y,z\n1,A,0,0,0\n")
    assert content_hash(yards / "good.toml") == linked


def test_a_field_book_in_the_folder_counts(yards: Path) -> None:
    before = content_hash(yards / "good.toml")
    (yards / "book.csv").write_text("run,point,x,y,z\n1,A,0,0,0\n")
    assert content_hash(yards / "good.toml") != before


def test_a_name_of_a_site_file_is_as_it_stands_in_the_folder(yards: Path, tmp_path: Path) -> None:
    (yards / "limits.toml").write_text("[limits]\n")
    assert list(find_sites(yards, tmp_path / "out")) == ["good"]


def test_sites_of_one_name_and_sites_below_others_have_places_of_their_own(yards: Path) -> None:
    (yards / "good").mkdir()
    (yards / "good/site.toml").write_text(SITE.format("book.csv"))
    assert list(find_sites(yards, yards / "out")) == ["good", "good_"]
    (yards / "good/deep").mkdir()
    (yards / "good/deep/site.toml").write_text(SITE.format("book.csv"))
    found = find_sites(yards, yards / "out")
    assert {name: str(path.relative_to(yards)) for name, path in found.items()} == {
        "good/deep": "good/deep/site.toml",
        "good/good": "good.toml",
        "good_": "good/site.toml",
    }


def test_whether_there_are_sites_is_told_of_a_folder_and_what_lies_below(yards: Path) -> None:
    assert has_sites(yards)
    assert has_sites(yards.parent)
    (yards / "good.toml").unlink()
    assert not has_sites(yards)


def test_files_that_are_named_in_lists_of_tables_count(yards: Path) -> None:
    site = yards / "good.toml"
    site.write_text(SITE.format("book.csv") + '[[maps]]\nother = [{ background = "map.png" }]\n')
    before = content_hash(site)
    (yards / "map.pgw").write_text("0.5\n")  # belongs to the picture
    assert content_hash(site) != before
