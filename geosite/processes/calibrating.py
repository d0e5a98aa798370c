"""Fitting a device to surveys of it and writing what a site file names as its device."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from geosite.base.errors import (
    Finding,
    GeositeError,
    InputError,
    OutputRefused,
    Problem,
    SurveyRefused,
)

if TYPE_CHECKING:
    from geosite.fieldbook.model import Notes
    from geosite.network.calibration.fit import Calibration

__all__ = ["Calibrated", "as_facts", "calibrate_into", "said"]

_MISTAKES = ("leg-off", "visit-off")


@dataclass(frozen=True, eq=False)
class Calibrated:
    """What a calibration found and from what.

    Parameters
    ----------
    found
    unchecked
        Site files of surveys that nothing checks: they tell nothing of the device.
    mistakes
        What looks like a mistake in the surveys, and would be taken for the device's error.
    """

    found: Calibration
    unchecked: tuple[str, ...]
    mistakes: tuple[Finding, ...]


def calibrate_into(
    sites: Sequence[Path], out: Path, progress: Callable[[float, str], None] | None = None
) -> Calibrated:
    """Fit a device to surveys of it and write it.

    Parameters
    ----------
    sites
        Site files of surveys walked with one device. What they say of the device and of its
        closure limit is passed over: it is what is asked.
    out
        The file to write.
    progress
        Is told the share that is done, 0 to 1, and what is done next.

    Raises
    ------
    InputError
        A survey cannot be read or is there twice, or `out` is one of the files read.
    SurveyRefused
        A survey cannot be right, or nothing checks any of them.
    OutputRefused
        `out` is a file of another kind, or cannot be written; it is as it was.
    """
    from geosite.handover.folder.one_file import write_whole
    from geosite.handover.folder.output_place import reason_of
    from geosite.network.calibration.fit import calibrate
    from geosite.network.calibration.wording import device_toml

    notes = _read(sites)
    _refuse_twice(notes)
    _refuse_out(notes, out)
    checked, unchecked, mistakes = _usable(notes)
    found = calibrate(checked, progress)
    try:
        write_whole(out, device_toml(found, out.name).encode())
    except OSError as error:
        raise OutputRefused(
            Problem(
                "output-not-writable",
                f"cannot be written ({reason_of(out, error)}), nothing was changed",
                "a file name in a folder that can be written",
                "choose another name with --out",
                str(out),
            )
        ) from error
    return Calibrated(found, unchecked, mistakes)


def _raise_all(errors: Sequence[GeositeError]) -> None:
    """Raise the problems of several surveys together; one that cannot be read weighs most."""
    if errors:
        unreadable = any(isinstance(error, InputError) for error in errors)
        problems = [problem for error in errors for problem in error.problems]
        raise (InputError if unreadable else SurveyRefused)(problems)


def _read(sites: Sequence[Path]) -> list[Notes]:
    from geosite.fieldbook.read import read_survey

    notes, errors = [], []
    for site in sites:
        try:
            notes.append(read_survey(site))
        except GeositeError as error:
            errors.append(error)
    _raise_all(errors)
    return notes


def _refuse_twice(notes: Sequence[Notes]) -> None:
    """Refuse a survey that is there twice: it would count as two that agree."""
    import numpy as np

    problems = []
    for i, one in enumerate(notes):
        for other in notes[:i]:
            if np.array_equal(one.book.local, other.book.local):
                problems.append(
                    Problem(
                        "survey-twice",
                        f"the field book has the same numbers as that of {other.site_file}",
                        "every survey once",
                        "leave one of the two out",
                        one.site_file,
                    )
                )
                break
    if problems:
        raise InputError(dict.fromkeys(problems))


def _refuse_out(notes: Sequence[Notes], out: Path) -> None:
    """Refuse to write over what is read, and over any file that is no device."""
    place = out.resolve()
    for one in notes:
        if place in (Path(one.site_file).resolve(), Path(one.book.file).resolve()):
            raise InputError(
                Problem(
                    "out-is-input",
                    "--out names a file that is read",
                    "the name of a new file",
                    "write for example --out device.toml",
                    str(out),
                )
            )
    if (out.exists() or out.is_symlink()) and not _is_device(out):
        raise OutputRefused(
            Problem(
                "out-other-file",
                "is there already and is no device that geosite calibrate wrote",
                "the name of a new file, or of an earlier calibration",
                "choose another name with --out",
                str(out),
            )
        )


def _is_device(path: Path) -> bool:
    import tomllib

    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
    except (OSError, ValueError):
        return False
    return isinstance(tables.get("device"), dict) and "survey" not in tables


def _usable(
    notes: Sequence[Notes],
) -> tuple[list[Notes], tuple[str, ...], tuple[Finding, ...]]:
    """Sort out what nothing checks, and refuse what can be right with no plausible device."""
    from dataclasses import replace

    from msgspec.structs import replace as changed

    from geosite.fieldbook.sitefile import DeviceTable
    from geosite.network.adjust import adjust
    from geosite.network.calibration.components import PLAUSIBLE
    from geosite.network.walk.device import CLASSES

    unknown = CLASSES["unknown"]
    device = DeviceTable(
        pointing=PLAUSIBLE * unknown.pointing,
        walk=PLAUSIBLE * unknown.walk,
        heading_deg=PLAUSIBLE * math.degrees(unknown.heading),
        scale_percent=PLAUSIBLE * 100 * unknown.scale,
        climb_percent=PLAUSIBLE * 100 * unknown.climb,
        tilt_deg=PLAUSIBLE * math.degrees(unknown.tilt),
        degrees_of_freedom=unknown.degrees_of_freedom,
    )
    checked, unchecked, mistakes, errors = [], [], [], []
    for one in notes:
        survey = changed(one.site.survey, device=device, leg_noise=None, closure_limit=None)
        plain = replace(one, site=changed(one.site, survey=survey))
        try:
            network = adjust(plain)
        except GeositeError as error:
            errors.append(error)
            continue
        # beyond those of the device, one from every misclosure
        known = max(network.degrees_of_freedom, network.vertical_degrees_of_freedom)
        if known > unknown.degrees_of_freedom:
            checked.append(plain)
            mistakes += [f for f in network.findings if f.code in _MISTAKES]
        else:
            unchecked.append(one.site_file)
    _raise_all(errors)
    if not checked:
        raise SurveyRefused(
            Problem(
                "calibration-unchecked",
                "nothing checks this survey, so it tells nothing of the device",
                "at least one survey, better three, whose runs come back to their marks or meet",
                "walk a loop, a line there and back, and a known length; see geosite guide device",
                file,
            )
            for file in unchecked
        )
    return checked, tuple(unchecked), tuple(mistakes)


def said(
    made: Calibrated, out: Path
) -> Iterator[tuple[Literal["title", "plain", "good", "look"], str]]:
    """Put a calibration into lines for people."""
    from geosite.network.calibration.wording import calibration_told

    yield from calibration_told(made.found)
    for file in made.unchecked:
        yield "look", f"{file}: nothing checks this survey, so it took no part"
    for finding in made.mistakes:
        where = "" if finding.file is None else f"{finding.file}:{finding.line}: "
        yield "look", f"{where}{finding.text} A mistake would be taken for the device's error."
    yield "good", f"{out} is written"
    yield (
        "plain",
        f'next: lay it beside a site file and write there [survey.device] and file = "{out.name}"',
    )


def as_facts(made: Calibrated, out: Path) -> Mapping[str, Any]:
    """Return a calibration as JSON-ready facts, with the file it wrote."""
    from geosite.network.calibration.wording import calibration_facts

    return {
        **calibration_facts(made.found),
        "unchecked": list(made.unchecked),
        "mistakes": [
            {"code": f.code, "text": f.text, "file": f.file, "line": f.line} for f in made.mistakes
        ],
        "file": str(out),
    }
