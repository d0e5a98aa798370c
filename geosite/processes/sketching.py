"""A sketch of a survey as a picture: walks, misclosures and suspects, before anything is built."""

from __future__ import annotations

from pathlib import Path

from geosite.base.errors import InputError, OutputRefused, Problem

__all__ = ["sketch_into", "sketch_lines"]


def sketch_into(site: Path, picture: Path) -> Path:
    """Draw the sketch of a survey into a picture.

    Parameters
    ----------
    site
        The site file.
    picture
        ``.svg`` or ``.png``.

    Raises
    ------
    InputError
        The survey cannot be read, or the picture is of another kind.
    OutputRefused
        It cannot be written.
    """
    from geosite.drawing.pdf import pdf, png
    from geosite.drawing.svg import svg
    from geosite.fieldbook.read import read_survey
    from geosite.fieldbook.rough_layout import lay_out
    from geosite.fieldbook.sketch import sketch_sheet
    from geosite.fieldbook.suspicious_marks import suspects
    from geosite.handover.folder.output_place import reason_of

    kind = picture.suffix.lower()
    if kind not in (".svg", ".png"):
        raise InputError(
            Problem(
                "sketch-kind",
                f'the sketch "{picture}" is no picture that can be drawn',
                "a name that ends in .svg or .png",
                "write for example --sketch sketch.png",
            )
        )
    notes = read_survey(site)
    baseline = notes.site.baseline
    laid = lay_out(notes.book, (baseline.from_, baseline.to))
    sheet = sketch_sheet(
        notes.book,
        laid,
        notes.site.site.title,
        lines=tuple(n for n, code in notes.site.codes.items() if code.geometry == "line"),
        suspects=[suspect.row for suspect in suspects(notes.book)],
        unit=notes.site.handover.unit,
    )
    drawn = svg(sheet).encode() if kind == ".svg" else png(pdf(sheet), 150)
    try:
        picture.write_bytes(drawn)
    except OSError as error:
        raise OutputRefused(
            Problem(
                "sketch-not-written",
                f"the sketch cannot be written ({reason_of(picture, error)})",
                "a folder that is there and can be written",
                "choose another name with --sketch",
                str(picture),
            )
        ) from error
    return picture


def sketch_lines(site: Path) -> list[str]:
    """Return the sketch of a survey as lines of text."""
    from geosite.fieldbook.read import read_survey
    from geosite.fieldbook.rough_layout import lay_out
    from geosite.fieldbook.sketch import sketch_text
    from geosite.fieldbook.suspicious_marks import suspects

    notes = read_survey(site)
    baseline = notes.site.baseline
    laid = lay_out(notes.book, (baseline.from_, baseline.to))
    lines = tuple(n for n, code in notes.site.codes.items() if code.geometry == "line")
    rows = [suspect.row for suspect in suspects(notes.book)]
    return sketch_text(notes.book, laid, lines=lines, suspects=rows)
