"""Put a survey on the map: the least squares with the anchor, and the factors of the map."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.errors import Problem, SurveyRefused
from geosite.base.map_frame import Frame, at_middle, combined_factor
from geosite.fieldbook.book import give_back_of
from geosite.fieldbook.model import Notes
from geosite.network.control.model import Anchored
from geosite.network.control.similarity import fit_rigid
from geosite.network.equations.heights import Heights, adjust_heights
from geosite.network.equations.normal import Prior
from geosite.network.equations.plan import Azimuth, Plan, PlanInput, adjust_plan
from geosite.network.equations.rows import Between, HeightRows, PlanRows, height_rows, plan_rows
from geosite.network.model import Closure, Network
from geosite.network.tie_runs import Tied, first_visits, known_heights, known_places, plan_steps
from geosite.network.walk.dead_reckoning import Start
from geosite.network.walk.device import Device
from geosite.network.walk.runs import Complexes, Walk, scaled_path, walk_runs

__all__ = ["Placed", "Placing", "scale_plane"]

VARYING = 1e-3
"""Metres; the combined factor is taken leg by leg when its change over the survey costs more."""


@dataclass(frozen=True, eq=False)
class Placed:
    """One adjustment on the map with given factors.

    Of every row it keeps what lies between the nodes, and of the plan what another adjustment
    starts from; the path is made anew (`scaled_path`) where it is asked for.
    """

    factor: float | Complexes
    plan: Plan
    heights: Heights
    plan_rows: PlanRows
    height_rows: HeightRows
    en: Floats
    elevation: Floats


@dataclass(frozen=True, eq=False)
class Placing:
    """What it takes to put a survey on the map."""

    notes: Notes
    anchored: Anchored
    device: Device
    always: frozenset[str]
    factors: tuple[float, float]

    def once(
        self,
        walk: Walk,
        orientation: Floats,
        factor: float | Complexes,
        begin: list[Start | None],
    ) -> Placed:
        """Adjust with the anchor, for one combined factor; orientations are where it starts.

        Or what stands in `begin`, which is taken out of it.
        """
        book, baseline, device = self.notes.book, self.notes.site.baseline, self.device
        knot = {name: i for i, name in enumerate(walk.knots)}
        start, end = knot[baseline.from_], knot[baseline.to]
        places = known_places(self.anchored.controls, knot)
        elevations = known_heights(self.anchored.controls, knot)
        if not len(elevations.knot):
            elevations = Prior(np.array([start]), np.zeros(1), np.zeros(1))
        azimuth = None
        if len(places.knot) == 1:
            assert self.anchored.azimuth is not None
            azimuth = Azimuth(start, end, *self.anchored.azimuth)
        path = scaled_path(walk, book.local, factor)
        plan = adjust_plan(
            PlanInput(
                walk=walk,
                step=plan_steps(walk, path),
                device=device,
                factor=self.factors[0],
                prior=places,
                heading=orientation,
                azimuth=azimuth,
                before=begin.pop(),
            )
        )
        if not plan.converged:
            raise SurveyRefused(
                Problem(
                    "network-unsettled",
                    "the orientations of the runs do not settle",
                    "runs that fit together at their common marks",
                    "check the mark names: the same name must be the same physical mark",
                    book.file,
                )
            )
        give_back_of(book)
        heights = adjust_heights(walk, path, device, self.factors[1], elevations, len(book.runs))
        between = Between.of(walk)
        pointing, pointing_up = (
            noise * math.sqrt(factor)
            for noise, factor in zip(
                (device.pointing, device.pointing_up), self.factors, strict=True
            )
        )
        give_back_of(book)
        heights_at, up = height_rows(walk, between, heights, pointing_up)
        heights = heights.alone()
        del path
        give_back_of(book)
        plan_at, en = plan_rows(walk, between, plan, pointing)
        give_back_of(book)
        return Placed(factor, plan, heights, plan_at, heights_at, en, up)

    def beginning(self, walk: Walk, free: Tied) -> tuple[Floats, Start | None]:
        """Return the orientations of the runs on the map, and what else is known to start from."""
        places = known_places(self.anchored.controls, free.knot)
        turn = 0.0
        if len(places.knot) >= 2:
            turn = fit_rigid(free.plan.position[places.knot], places.value).turn
        # the notes without a mistake may have been tied, or in another order
        alike = free.plan.converged and np.array_equal(free.walk.row, walk.row)
        return free.plan.orientation + turn, free.plan.start(turn) if alike else None

    def network(
        self,
        walk: Walk,
        closures: tuple[Closure, ...],
        orientation: Floats,
        begin: list[Start | None],
    ) -> tuple[Network, Start | None]:
        """Adjust with the anchor; the combined factor is taken at the middle of what comes out.

        Also return what an adjustment with other knots can start from, where there are others.
        What this one starts from is taken out of `begin`: of a long walk nobody keeps it meanwhile.
        """
        geoid = self.notes.site.anchor.geoid_height or 0.0
        frame = self.anchored.frame
        factor: float | Complexes = frame.combined_factor
        placed: Placed | None = None
        for _ in range(3):
            if placed is not None:
                plan, placed = placed.plan, None
                begin = [plan.start()]
                del plan
                give_back_of(self.notes.book)
            placed = self.once(walk, orientation, factor, begin)
            used = factor
            frame, factor = _factor(frame, walk, placed.en, placed.elevation + geoid)
            if isinstance(factor, float) and isinstance(used, float):
                extent = float(np.ptp(placed.en, axis=0).max())
                if abs(factor - used) * extent < 1e-7:
                    break
        assert placed is not None
        start = placed.plan.start() if self.shares(walk) else None
        placed = replace(placed, plan=placed.plan.alone())
        return self.made(walk, placed, frame, closures), start

    def shares(self, walk: Walk) -> bool:
        """Tell whether the runs share marks beside the baseline and the known ones."""
        return any(name not in self.always for name in walk.knots)

    def baseline_only(self, network: Network, before: Start, walk: Walk) -> Network:
        """Adjust with the baseline and the known marks as the only common marks."""
        book = self.notes.book
        keep = np.isin(np.array(book.marks), sorted(self.always))
        mark = np.where((book.mark >= 0) & keep[book.mark], book.mark, -1)
        alone = replace(self, notes=replace(self.notes, book=replace(book, mark=mark)))
        walk = walk_runs(alone.notes.book, self.device, self.always)
        factor = network.frame.combined_factor
        placed = alone.once(walk, network.orientation, factor, [before])
        return alone.made(walk, placed, network.frame, ())

    def made(
        self, walk: Walk, placed: Placed, frame: Frame, closures: tuple[Closure, ...]
    ) -> Network:
        """Return the network of one adjustment, before it is judged."""
        raw_en, raw_elevation = self.raw(walk, placed)
        return Network(
            frame=frame,
            en=placed.en,
            elevation=placed.elevation,
            raw_en=raw_en,
            raw_elevation=raw_elevation,
            orientation=placed.plan.orientation,
            scale=placed.plan.scale,
            plan=placed.plan_rows,
            heights=placed.height_rows,
            variance_factor=self.factors[0],
            vertical_variance_factor=self.factors[1],
            shift=self.anchored.shift,
            closures=closures,
        )

    def raw(self, walk: Walk, placed: Placed) -> tuple[Floats, Floats]:
        """Place each run by its own first visits to the two baseline marks, unadjusted."""
        baseline, book = self.notes.site.baseline, self.notes.book
        path, runs = scaled_path(walk, book.local, placed.factor), len(book.runs)
        names = (baseline.from_, baseline.to)
        knots = [walk.knots.index(name) for name in names]
        target = placed.plan.position[knots].copy()
        for control in self.anchored.controls:
            if control.name in names and control.position is not None and not control.check:
                target[names.index(control.name)] = control.position
        visits = [path[first_visits(walk, runs, knot)] for knot in knots]
        # each run is laid on the map by the middle and the direction of its own baseline
        own = visits[1] - visits[0]
        turn = np.arctan2(*(target[1] - target[0])[::-1]) - np.arctan2(own[:, 1], own[:, 0])
        middle = (visits[0] + visits[1]) / 2
        en, height = np.empty((len(path), 2)), np.empty(len(path))
        for piece in walk.pieces():
            run, row = piece.walk.run, piece.walk.row
            moved = path[piece.at] - middle[run]
            cosine, sine = np.cos(turn)[run], np.sin(turn)[run]
            en[row] = target.mean(axis=0) + np.column_stack(
                [
                    moved[:, 0] * cosine - moved[:, 1] * sine,
                    moved[:, 0] * sine + moved[:, 1] * cosine,
                ]
            )
            height[row] = moved[:, 2] + float(placed.heights.elevation[knots].mean())
        return en, height


def _factor(
    frame: Frame, walk: Walk, en: Floats, height: Floats
) -> tuple[Frame, float | Complexes]:
    """Frame at the survey's middle, and the combined factor: one number, or one per leg.

    Per leg it is a plane in position and height, the first terms of its series, fitted over the
    extent; a map whose scale changes also bends straight lines (arc-to-chord correction: the turn
    grows by the sideways change of scale). Both only when the change of scale over the survey costs
    more than a millimetre.
    """
    low, high = en.min(axis=0), en.max(axis=0)
    middle = (low + high) / 2
    level_m = float(height.mean())
    frame = at_middle(frame, (float(middle[0]), float(middle[1])), level_m)
    slope, upward = scale_plane(frame, middle, np.maximum((high - low) / 2, 1.0), level_m)
    change = (en - middle) @ slope
    change += upward * (height - level_m)
    spread = float(np.ptp(change))
    if spread < 1e-6 or spread / 2 * float(np.hypot(*(high - low))) < VARYING:
        return frame, frame.combined_factor
    offset = en - middle
    turn = (slope[0] * offset[:, 1] - slope[1] * offset[:, 0]) / frame.combined_factor
    at_row = ((frame.combined_factor + change) * np.exp(1j * turn))[walk.row]
    per_leg: Complexes = at_row.copy()
    per_leg[1:] = (at_row[1:] + at_row[:-1]) / 2
    return frame, per_leg


def scale_plane(frame: Frame, middle: Floats, half: Floats, height: float) -> tuple[Floats, float]:
    """Return the change of the combined factor per metre east and north, and per metre up.

    Parameters
    ----------
    frame
    middle, half : array, shape (2,), local grid metres
        Middle and half size of the extent.
    height
        Metres above the ellipsoid.
    """
    cross = middle + half * np.array([[-1, 0], [1, 0], [0, -1], [0, 1], [0, 0], [0, 0]])
    above = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 100.0])
    easting, northing = frame.to_map(cross).T
    factors = combined_factor(frame.crs_wkt, easting, northing, height + above)
    slope: Floats = (factors[[1, 3]] - factors[[0, 2]]) / (2 * half)
    return slope, float(factors[5] - factors[4]) / 100.0
