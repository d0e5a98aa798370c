"""The samples made quick: for tests that hold no interval of water and no size of a device."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from geosite.network.calibration import fit

LANDING = Path(__file__).parents[1] / "sample_data" / "ferry_landing"


def quick_landing(folder: Path) -> Path:
    """Copy the landing into a folder that is not there yet; return the site file of the copy."""
    shutil.copytree(LANDING, folder, ignore=shutil.ignore_patterns("pictures"))
    draw_few(folder / "site.toml")
    return folder / "site.toml"


def quick_jetty(folder: Path, *, lean: bool = False) -> Path:
    """Copy the jetty into a folder that is not there yet; return the site file of the copy.

    A lean one has no plan, no viewer and no drawing: a third of the time of the jetty.
    """
    shutil.copytree(LANDING.with_name("jetty_feet"), folder)
    site = folder / "site.toml"
    draw_few(site)
    if lean:
        draw_nothing(site)
    return site


def quick_samples(folder: Path, *, lean: bool = False) -> None:
    """Copy the sample data into a folder; landing and jetty are quick to build.

    For commands that are printed somewhere, which run as they stand: that the sample asks for fewer
    possible grounds and larger cells, and a lean one for no plan, changes none of them.
    """
    samples = folder / "sample_data"
    shutil.copytree(LANDING.parent, samples, ignore=shutil.ignore_patterns("pictures"))
    for site in ("ferry_landing/site.toml", "ferry_landing/as_built/site.toml"):
        draw_few(samples / site)
        take_coarse_cells(samples / site)
    draw_few(samples / "jetty_feet/site.toml")
    if lean:
        for sample in ("ferry_landing", "jetty_feet"):
            draw_nothing(samples / sample / "site.toml")


def draw_few(site: Path) -> None:
    """Let a site file ask for 20 possible grounds instead of 200."""
    text = site.read_text(encoding="utf-8")
    if "\n[drainage]\n" not in text:
        text += "\n[drainage]\n"
    assert text.count("\n[drainage]\n") == 1
    few = "\n[drainage]\nconfidence_runs = 20\n"
    site.write_text(text.replace("\n[drainage]\n", few), "utf-8")


def draw_nothing(site: Path) -> None:
    """Let a site file ask for no plan, no viewer and no drawing."""
    text = site.read_text(encoding="utf-8")
    if "\n[handover]\n" not in text:
        text += "\n[handover]\n"
    assert text.count("\n[handover]\n") == 1
    less = "\n[handover]\nplan = false\nviewer = false\ndxf = false\n"
    site.write_text(text.replace("\n[handover]\n", less), "utf-8")


def take_coarse_cells(site: Path) -> None:
    """Let a site file ask for cells of 1 m instead of 0.25 m."""
    text = site.read_text(encoding="utf-8")
    assert text.count("cell_size = 0.25") == 1
    site.write_text(text.replace("cell_size = 0.25", "cell_size = 1.0"), "utf-8")


def fit_few_components(patch: pytest.MonkeyPatch) -> None:
    """Let calibrations fit two components instead of eight: a tenth of the time.

    For tests that ask what is read, passed on, said and written, and not what is found.
    """
    patch.setattr(fit, "PLAN", ("scale",))
    patch.setattr(fit, "HEIGHT", ("climb",))
