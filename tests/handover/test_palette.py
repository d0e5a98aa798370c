"""The palette stays readable for colour-blind readers, in grey and on a dark screen."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from geosite.handover import palette

# Machado, Oliveira, Fernandes (2009), IEEE TVCG 15(6), table of matrices, severity 1.0,
# doi 10.1109/TVCG.2009.113; on linear RGB
VISION = {
    "usual": np.eye(3),
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# sRGB primaries, D65 white (IEC 61966-2-1)
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def linear(colour: str) -> np.ndarray:
    s = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)


def lab(colour: str, vision: str) -> np.ndarray:
    """CIE 1976 L*a*b* of a colour as somebody sees it."""
    seen = np.clip(np.array(VISION[vision]) @ linear(colour), 0, 1)
    t = TO_XYZ @ seen / (TO_XYZ @ np.ones(3))
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.1."""
    a, b = sorted((float(TO_XYZ[1] @ linear(c)) for c in (one, other)), reverse=True)
    return (a + 0.05) / (b + 0.05)


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize(
    ("group", "apart"),
    [
        ((*palette.SURFACES, palette.POND), 7.0),
        ((palette.TEXT, palette.EARTH, palette.WATER, palette.PARCEL, palette.ALERT), 9.0),
    ],
)
def test_colours_stay_apart(vision: str, group: tuple[str, ...], apart: float) -> None:
    for one, other in combinations(group, 2):
        assert np.linalg.norm(lab(one, vision) - lab(other, vision)) > apart, (one, other)


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("name", palette.RAMPS)
def test_ramps_run_one_way_in_lightness(vision: str, name: str) -> None:
    steps = np.diff([lab(c, vision)[0] for c in palette.RAMPS[name]])
    assert (np.sign(steps) == np.sign(steps[0])).all()
    assert np.abs(steps).min() > 2.5


def test_inks_can_be_read_on_paper_and_on_a_dark_screen() -> None:
    for ink in (palette.TEXT, palette.FAINT, palette.WATER, palette.PARCEL):
        assert contrast(ink, palette.PAPER) > 4.5
        assert contrast(palette.DARK[ink], palette.DARK[palette.PAPER]) > 4.5
    for ink in (palette.EARTH, palette.ALERT):  # lines and large writing
        assert contrast(ink, palette.PAPER) > 3
        assert contrast(palette.DARK[ink], palette.DARK[palette.PAPER]) > 3


def test_every_ink_has_a_dark_one() -> None:
    used = {stroke.colour for stroke in palette.STROKES.values()}
    assert used <= set(palette.DARK)


def test_tints_follow_the_order_of_the_codes() -> None:
    tints = palette.surface_colours(f"c{i}" for i in range(8))
    assert [tints[f"c{i}"] for i in range(6)] == list(palette.SURFACES)
    assert tints["c6"] == tints["c0"]
