"""What to look at in a drawing before its numbers are used."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from geosite.base.errors import Finding
from geosite.fieldbook.model import FieldBook
from geosite.linework.circles import STRAIGHT_M, Circle
from geosite.linework.model import Feature
from geosite.linework.nesting import Overlap
from geosite.linework.strokes import Stroke, form_of
from geosite.network.covariance import sigmas
from geosite.network.model import LinearForm, Network

__all__ = ["at", "fit_findings", "open_end_findings", "overlap_findings", "small_findings"]

# Distances from a fitted arc are looked at beyond three standard deviations (0.3 % by chance).
LARGE_RESIDUAL = 3.0
# A circle's radius that is known to a tenth only comes from marks on too short a stretch of it.
LOOSE_RADIUS = 0.10
# An area or a length below three of its own standard deviations is not told from nothing.
SMALL_IN_SIGMAS = 3.0
# A last mark this near to the first is likely to be the first, walked up to again: metres, and
# share of the perimeter.
NEARLY_CLOSED_M = 0.15
NEARLY_CLOSED_SHARE = 0.05


@dataclass(frozen=True, eq=False)
class _Question:
    """A number of a fit that is held against its own sigma."""

    about: Literal["residual", "radius", "sagitta"]
    name: str
    kind: str
    row: int
    value: float
    form: LinearForm


def at(book: FieldBook, row: int | np.integer) -> str:
    """Name a row for people: its mark and its line."""
    mark = book.mark[row]
    called = f"mark {book.marks[mark]!r}" if mark >= 0 else "the unnamed mark"
    return f"{called} (line {book.line[row]})"


def fit_findings(
    book: FieldBook, network: Network, drawn: Iterable[tuple[str, Sequence[Stroke]]]
) -> list[Finding]:
    """Look at every arc and circle.

    Parameters
    ----------
    book, network
        The survey.
    drawn
        Name and outline of each feature.
    """
    findings: list[Finding] = []
    questions: list[_Question] = []
    for name, strokes in drawn:
        for stroke in strokes:
            if stroke.shape is None:
                continue
            if not stroke.in_order:
                findings.append(
                    Finding(
                        "look",
                        "arc-out-of-order",
                        f"The marks of the arc of {name!r} do not follow each other along it; "
                        "two of them may have changed places.",
                        book.file,
                        int(book.line[stroke.piece.rows[-1]]),
                    )
                )
            questions += _questions(network, name, stroke)
    answers = sigmas(network, [q.form for q in questions])
    for question, sigma in zip(questions, answers, strict=True):
        text = _answer(book, question, float(sigma))
        if text is not None:
            code = {
                "residual": "fit-residual-large",
                "radius": "circle-loose",
                "sagitta": "arc-flat",
            }[question.about]
            line = int(book.line[question.row])
            findings.append(Finding("look", code, text, book.file, line))
    return findings


def _questions(network: Network, name: str, stroke: Stroke) -> list[_Question]:
    shape, rows, kind = stroke.shape, stroke.piece.rows, stroke.piece.kind
    assert shape is not None
    last = int(rows[-1])
    questions = []
    if len(rows) > 3:
        worst = int(np.abs(shape.residuals).argmax())
        off = float(abs(shape.residuals[worst]))
        outward = network.en[rows[worst]] - np.array(shape.centre)
        angle = math.atan2(outward[1], outward[0])
        # the mark moves, and the arc under it follows
        gradient = -shape.normal_motion(np.array([angle]))[0]
        gradient[worst] += [math.cos(angle), math.sin(angle)]
        form = form_of(rows, gradient)
        questions.append(_Question("residual", name, kind, int(rows[worst]), off, form))
    if isinstance(shape, Circle):
        form = form_of(rows, shape.radius_gradient)
        questions.append(_Question("radius", name, kind, last, shape.radius, form))
    else:
        form = form_of(rows, shape.sagitta_gradient)
        questions.append(_Question("sagitta", name, kind, last, shape.sagitta, form))
    return questions


def _answer(book: FieldBook, question: _Question, sigma: float) -> str | None:
    name, value = question.name, question.value
    if question.about == "residual" and value > max(LARGE_RESIDUAL * sigma, STRAIGHT_M):
        called = at(book, question.row)
        return (
            f"{called[0].upper()}{called[1:]} is {value:.3f} m off the {question.kind} of "
            f"{name!r}, where about {sigma:.3f} m was expected; it may not belong to it."
        )
    if question.about == "radius" and sigma > LOOSE_RADIUS * value:
        return (
            f"The marks of circle {name!r} cover too short a stretch of it: the radius is "
            f"{value:.2f} m with a standard deviation of {sigma:.2f} m. Walk marks all around it."
        )
    if question.about == "sagitta" and value < SMALL_IN_SIGMAS * sigma:
        return (
            f"The arc of {name!r} bends by {value:.3f} m with a standard deviation of "
            f"{sigma:.3f} m: it cannot be told from a straight line."
        )
    return None


def open_end_findings(
    book: FieldBook, drawn: Iterable[tuple[Feature, Sequence[Stroke]]]
) -> list[Finding]:
    """Look for areas whose last mark all but stands on the first one."""
    findings = []
    for feature, strokes in drawn:
        if feature.perimeter is None:
            continue
        near = min(NEARLY_CLOSED_M, NEARLY_CLOSED_SHARE * feature.perimeter.grid)
        closing, first = strokes[-1], int(feature.rows[0])
        ends_open = closing.piece.kind == "line" and int(closing.piece.rows[-1]) == first
        if ends_open and len(closing.piece.rows) == 2 and closing.length < near:
            last = int(closing.piece.rows[0])
            findings.append(
                Finding(
                    "look",
                    "outline-nearly-closed",
                    f"The outline of {feature.name!r} ends {closing.length:.2f} m from where it "
                    f"began, at {at(book, last)}. If that is the first mark again, both rows "
                    "should carry one name.",
                    book.file,
                    int(book.line[last]),
                )
            )
    return findings


def small_findings(book: FieldBook, features: Iterable[Feature]) -> list[Finding]:
    """Look for areas and lines that are hardly larger than their own sigma."""
    findings = []
    for feature in features:
        size = feature.area or feature.length
        if size is None or size.value >= SMALL_IN_SIGMAS * size.sigma:
            continue
        unit = "m2" if feature.kind == "area" else "m"
        findings.append(
            Finding(
                "look",
                "feature-small",
                f"{feature.kind.capitalize()} {feature.name!r} measures {size.value:.3f} {unit} "
                f"with a standard deviation of {size.sigma:.3f} {unit}: too small for this survey.",
                book.file,
                int(book.line[feature.rows[0]]),
            )
        )
    return findings


def overlap_findings(
    book: FieldBook, areas: Sequence[Feature], overlaps: Iterable[Overlap]
) -> list[Finding]:
    """Look at areas that share ground without one lying inside the other."""
    findings = []
    for overlap in overlaps:
        # a sliver along a shared edge is left to the take-off, which can close it
        if overlap.is_sliver:
            continue
        one, other = areas[overlap.first], areas[overlap.second]
        findings.append(
            Finding(
                "look",
                "areas-overlap",
                f"Areas {one.name!r} and {other.name!r} share {overlap.area_m2:.2f} m2 and "
                "neither lies inside the other: this ground is counted twice.",
                book.file,
                int(book.line[other.rows[0]]),
            )
        )
    return findings
