"""Errors against what holds the survey on the map, not against the map itself.

A design and what was built are both laid out from the same known marks. What is not known of those
marks on the map shifts and turns both alike and is no deviation: the errors that count are those in
the frame of the known marks (an S-transformation: Baarda 1973, S-transformations and criterion
matrices).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.fieldbook.model import Notes
from geosite.network.covariance import covariance
from geosite.network.model import LinearForm, Network

__all__ = ["Datum", "datum_of"]


@dataclass(frozen=True, eq=False)
class Datum:
    """The marks that hold a survey.

    Parameters
    ----------
    plan_rows, level_rows : arrays
        Observations of the marks known in plan and in height.
    middle : array, shape (2,), local grid metres
    gain : array, shape (3, 2 m)
        Shift east, shift north and turn of the frame per error of the marks known in plan (east and
        north of each in turn).
    """

    plan_rows: Ints
    level_rows: Ints
    middle: Floats
    gain: Floats

    def in_plan(self, form: LinearForm, place: Floats, direction: Floats) -> LinearForm:
        """Return a form less what the frame moves a place along a direction.

        Parameters
        ----------
        form
            Of the displacement along the direction.
        place : array, shape (2,), local grid metres
        direction : array, shape (2,)
            Unit vector.
        """
        away = place - self.middle
        turn = direction[1] * away[0] - direction[0] * away[1]
        weights = -np.array([direction[0], direction[1], turn]) @ self.gain
        none = np.zeros(len(self.plan_rows))
        return form + LinearForm(self.plan_rows, weights[0::2], weights[1::2], none)

    def in_height(self, form: LinearForm) -> LinearForm:
        """Return a form less what lifts the frame."""
        count = len(self.level_rows)
        none = np.zeros(count)
        share = np.full(count, -float(form.up.sum()) / count)
        return form + LinearForm(self.level_rows, none, none, share)

    def of_ground(self, plan: Floats, level: Floats, places: Floats, slope: Floats) -> Floats:
        """Return what the frame moves the height of the ground, draw by draw.

        Parameters
        ----------
        plan : array, shape (draws, m, 2 or 3), metres
            Errors of the observations in `plan_rows`.
        level : array, shape (draws, k, 3), metres
            Errors of those in `level_rows`.
        places : array, shape (n, 2), local grid metres
        slope : array, shape (n, 2)
            Rise of the ground towards east and north there: moved sideways, a slope rises or falls.

        Returns
        -------
        array, shape (draws, n), metres
        """
        errors = plan[:, :, :2].reshape(len(plan), -1)
        east, north, turn = (errors @ self.gain.T).T[:, :, None]
        away = places - self.middle
        shift_east, shift_north = east - turn * away[:, 1], north + turn * away[:, 0]
        lift = level[:, :, 2].mean(axis=1)[:, None]
        found: Floats = lift - shift_east * slope[:, 0] - shift_north * slope[:, 1]
        return found


def datum_of(notes: Notes, network: Network) -> Datum:
    """Return the frame of a survey's known marks, or of its baseline where only one is known."""
    known = [(n, m) for n, m in notes.site.anchor.marks.items() if not m.check]
    placed = [n for n, m in known if m.easting is not None or m.latitude is not None]
    lifted = [n for n, m in known if m.elevation is not None or m.ellipsoidal_height is not None]
    baseline = [notes.site.baseline.from_, notes.site.baseline.to]
    plan = _rows(notes, placed)
    if len(plan) < 2:
        plan = _rows(notes, baseline)
    level = _rows(notes, lifted)
    if not len(level):
        level = _rows(notes, baseline[:1])
    places = network.en[plan]
    middle = places.mean(axis=0)
    away = places - middle
    frame = np.zeros((2 * len(plan), 3))
    frame[0::2, 0] = frame[1::2, 1] = 1.0
    frame[0::2, 2], frame[1::2, 2] = -away[:, 1], away[:, 0]
    one, none = np.ones(1), np.zeros(1)
    forms = [
        LinearForm(np.array([row]), *axis, none)
        for row in plan
        for axis in ((one, none), (none, one))
    ]
    weight = np.linalg.pinv(covariance(network.relative, forms), rcond=1e-10, hermitian=True)
    if not np.any(weight):  # known without error: they hold the frame alike
        weight = np.eye(len(frame))
    gain = np.linalg.pinv(frame.T @ weight @ frame, hermitian=True) @ frame.T @ weight
    return Datum(plan, level, middle, gain)


def _rows(notes: Notes, names: Sequence[str]) -> Ints:
    book = notes.book
    return np.array(
        [
            int(np.flatnonzero(book.mark == book.marks.index(name))[0])
            for name in names
            if name in book.marks
        ],
        np.int64,
    )
