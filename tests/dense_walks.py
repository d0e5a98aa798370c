"""A walked site with every state of the device an unknown of its own, solved densely.

Nothing here knows of knots and long legs: the place and heading of the path at every observation,
the turn of every leg, the place of every mark are unknowns, found by Gauss-Newton with derivatives
by complex steps (Squire & Trapp 1998, doi:10.1137/S003614459631241X).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from network_cases import SMALL_ANCHORS, SMALL_CRS, SMALL_PLACES, SMALL_WALKS, notes, turned

from geosite.fieldbook.model import Notes
from geosite.network.model import Network
from geosite.network.walk.device import Device, device_of

EVERYTHING = {
    "pointing": 0.01,
    "pointing_up": 0.008,
    "walk": 0.015,
    "walk_up": 0.012,
    "heading_deg": 0.6,
    "scale_percent": 1.0,
    "climb_percent": 0.5,
    "tilt_deg": 0.4,
}
WITHOUT = dict.fromkeys(EVERYTHING, 0.0)
DEVICES = {
    "all at once": EVERYTHING,
    "heading": WITHOUT | {"walk": 0.01, "walk_up": 0.01, "heading_deg": 0.6},
    "heading and pointing": WITHOUT
    | {"walk": 0.01, "walk_up": 0.01, "heading_deg": 1.5, "pointing": 0.02},
    "scale and climb": WITHOUT
    | {"walk": 0.01, "walk_up": 0.01, "scale_percent": 2.0, "climb_percent": 1.0},
    "pointing and tilt": WITHOUT
    | {"walk": 0.01, "walk_up": 0.01, "pointing": 0.02, "pointing_up": 0.02, "tilt_deg": 0.6},
}
ANCHORS = ("two marks with sigma", "two exact marks", "one mark and an azimuth")


def survey(device: dict[str, float], anchor: str, seed: int | None = 4) -> Notes:
    """Walk the site with errors of every kind; every run in a frame of its own."""
    known, more = SMALL_ANCHORS[anchor]
    rng = np.random.default_rng(seed)
    where = {name: np.array(place) for name, place in SMALL_PLACES.items()}
    rows = []
    for number, (run, stops) in enumerate(SMALL_WALKS.items()):
        for stop in stops:
            if stop not in where:
                where[stop] = np.append(rng.uniform(-5, 35, 2), rng.uniform(0, 1))
        local = np.array([where[stop] for stop in stops])
        local = local + np.cumsum(rng.normal(0, 0.02, local.shape), axis=0)
        local[:, :2] *= 1 + rng.normal(0, 0.01)
        local = turned(local, 100.0 * number + 17, (3.0, -8.0, 2.0))
        rows += [
            (run, "" if stop.startswith("s") else stop, *xyz)
            for stop, xyz in zip(stops, local, strict=True)
        ]
    return notes(rows, known, device=device, limit=None, crs=SMALL_CRS, **more)


@dataclass
class Dense:
    """Every state an unknown, in plan."""

    case: Notes
    device: Device
    factor: float
    map_factor: float
    start: np.ndarray

    def __post_init__(self) -> None:
        book = self.case.book
        n, runs = len(book), len(book.runs)
        mark: dict[tuple[str, int], int] = {}
        self.mark = np.array(
            [
                mark.setdefault(("mark", m) if m >= 0 else ("row", i), len(mark))
                for i, m in enumerate(book.mark.tolist())
            ]
        )
        self.legs = [
            (i, j)
            for run in range(runs)
            for i, j in pairwise(np.flatnonzero(book.run == run).tolist())
        ]
        self.counts = [2 * len(mark), 2 * n, n, len(self.legs), runs]
        exact = self.device.pointing == 0
        # without pointing a path goes through the marks, without stray there is no heading to find
        free = np.ones(sum(self.counts), dtype=bool)
        cuts = np.cumsum([0, *self.counts])
        free[cuts[1] : cuts[2]] = not exact
        free[cuts[3] : cuts[4]] = self.device.heading > 0
        free[cuts[4] :] = self.device.scale > 0
        known = self.case.site.anchor.marks
        for name, given in known.items():
            if not given.sigma:
                at = self.row_of(name)
                free[[2 * self.mark[at], 2 * self.mark[at] + 1]] = False
        self.free = free

    def row_of(self, name: str) -> int:
        """First row on a mark."""
        return int(np.argmax(self.case.book.mark == self.case.book.marks.index(name)))

    def states(self, x: np.ndarray) -> list[np.ndarray]:
        """Marks, paths, headings, turns of legs, scales; with as many last axes as `x` has."""
        parts = np.split(x, np.cumsum(self.counts)[:-1])
        marks = parts[0].reshape(-1, 2, *x.shape[1:])
        paths = (
            parts[1].reshape(-1, 2, *x.shape[1:]) if self.device.pointing > 0 else marks[self.mark]
        )
        heading = parts[2]
        if self.device.heading == 0:  # one for all of a run
            first = {int(r): i for i, r in reversed(list(enumerate(self.case.book.run)))}
            heading = heading[[first[int(r)] for r in self.case.book.run]]
        return [marks, paths, heading, parts[3], parts[4]]

    def walked(self, i: int, j: int) -> float:
        """Standard deviation of the random walk of a leg and of the length its bend takes."""
        return math.sqrt(sum(self.walk_and_bend(i, j)))

    def walk_and_bend(self, i: int, j: int) -> tuple[float, float]:
        """Return the variances of both."""
        step = self.case.book.local[j] - self.case.book.local[i]
        length = max(float(np.sqrt((step**2).sum())), 0.01)
        flat = self.map_factor * float(np.hypot(*step[:2]))
        bend = self.factor * self.device.heading**2 * length * flat
        return self.factor * self.device.walk**2 * length, bend**2 / 80

    def misfits(self, x: np.ndarray) -> np.ndarray:
        """What is left over of all observations, over their standard deviations.

        Of many sets of states at once where these are columns, shape (states, sets).
        """
        book, device, root = self.case.book, self.device, math.sqrt(self.factor)
        marks, paths, heading, own, scale = self.states(x)
        out: list[Any] = []
        for number, (i, j) in enumerate(self.legs):
            run = book.run[i]
            step = book.local[j] - book.local[i]
            length = max(float(np.sqrt((step**2).sum())), 0.01)
            stray = heading[j] - heading[i]
            turn = heading[i] + stray / 2 + own[number]
            east, north = paths[j] - paths[i]
            cosine, sine = np.cos(turn), np.sin(turn)
            walked = self.walked(i, j)
            ahead, left = (at * self.map_factor / (1 + scale[run]) for at in step[:2])
            out.append((cosine * east + sine * north - ahead) / walked)
            out.append((-sine * east + cosine * north - left) / walked)
            if device.heading > 0:
                strays = root * device.heading * math.sqrt(length)
                out += [stray / strays, own[number] / (strays / math.sqrt(12))]
        if device.pointing > 0:
            off = (marks[self.mark] - paths) / (root * device.pointing)
            out += list(off.reshape(-1, *x.shape[1:]))
        if device.scale > 0:
            out += list(scale / (root * device.scale))
        for name, given in self.case.site.anchor.marks.items():
            if given.sigma:
                place = marks[self.mark[self.row_of(name)]]
                known = np.array([given.easting - 500.0, given.northing - 700.0])
                out += list((place.T - known).T / given.sigma)
        azimuth = self.case.site.anchor.azimuth
        if azimuth is not None:
            a, b = (marks[self.mark[self.row_of(name)]] for name in "AB")
            along = math.radians(azimuth.value)
            off = (b - a).T @ np.array([math.cos(along), -math.sin(along)])
            ahead = (b - a).T @ np.array([math.sin(along), math.cos(along)])
            out.append(off / ahead / math.radians(azimuth.sigma))
        return np.array(out)

    def solution(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """The likeliest states, the free ones, the derivatives there, their triangular factor."""
        x, free = self.start.copy(), np.flatnonzero(self.free)
        if self.device.heading == 0:  # only the first heading of each run is used
            rows = np.unique(self.case.book.run, return_index=True)[1]
            used = self.counts[0] + self.counts[1] + rows
            unused = self.counts[0] + self.counts[1] + np.arange(self.counts[2])
            free = np.setdiff1d(free, np.setdiff1d(unused, used))
        for _ in range(40):
            moved = np.tile(x.astype(complex)[:, None], len(free))
            moved[free, np.arange(len(free))] += 1e-30j
            jacobian = self.misfits(moved).imag / 1e-30
            _, r = np.linalg.qr(jacobian)
            step = np.linalg.solve(r, np.linalg.solve(r.T, jacobian.T @ self.misfits(x)))
            x[free] -= step
            if np.abs(step).max() < 1e-12:
                break
        return x, free, jacobian, r

    def likelihood(self) -> float:
        """Minus twice the logarithm of the restricted one, but for a constant of the survey."""
        x, _, _, r = self.solution()
        device, root = self.device, math.sqrt(self.factor)
        sigmas = [self.walked(i, j) for i, j in self.legs for _ in range(2)]
        if device.heading > 0:  # at both ends and halfway; lengths are a constant
            sigmas += [root * device.heading] * (2 * len(self.legs))
        sigmas += [root * device.pointing] * (2 * len(self.mark))
        sigmas += [root * device.scale] * len(self.case.book.runs)
        given = [sigma for sigma in sigmas if sigma > 0]
        spread = np.log(given).sum() + np.log(np.abs(np.diag(r))).sum()
        return float(2 * spread + (self.misfits(x) ** 2).sum())

    def residuals(self) -> tuple[np.ndarray, np.ndarray]:
        """Of legs, shape (legs, 2), and then of pointing: adjusted less measured, and sigmas."""
        x, _, jacobian, r = self.solution()
        root = math.sqrt(self.factor)
        _, paths, heading, own, _ = self.states(x)
        each = 4 if self.device.heading > 0 else 2
        count = each * len(self.legs)
        visits = 2 * len(self.mark) if self.device.pointing > 0 else 0
        table = np.zeros((2 * len(self.legs) + visits, len(jacobian)))
        for k, (i, j) in enumerate(self.legs):
            leg = paths[j] - paths[i]
            step = self.case.book.local[j] - self.case.book.local[i]
            length = max(float(np.sqrt((step**2).sum())), 0.01)
            turn = heading[i] + (heading[j] - heading[i]) / 2 + own[k]
            walked = self.walked(i, j)
            cosine, sine = math.cos(turn), math.sin(turn)
            table[2 * k, each * k : each * k + 2] = cosine * walked, -sine * walked
            table[2 * k + 1, each * k : each * k + 2] = sine * walked, cosine * walked
            if each == 4:
                strays = root * self.device.heading * math.sqrt(length)
                spin = np.array([strays / 2, strays / math.sqrt(12)])
                table[2 * k, each * k + 2 : each * k + 4] = -leg[1] * spin
                table[2 * k + 1, each * k + 2 : each * k + 4] = leg[0] * spin
        pointed = root * self.device.pointing
        table[2 * len(self.legs) :, count : count + visits] = pointed * np.eye(visits)
        design = np.linalg.solve(r.T, jacobian.T)
        left = table @ (np.eye(len(jacobian)) - design.T @ design) @ table.T
        sigma = np.sqrt(np.maximum(np.diag(left), 0.0))
        return (table @ self.misfits(x)).reshape(-1, 2), sigma.reshape(-1, 2)

    def solved(self) -> tuple[np.ndarray, np.ndarray]:
        """Places of the rows, and their covariance."""
        x, free, _, r = self.solution()
        root = np.linalg.inv(r)
        whole = np.zeros((len(x), len(x)))
        whole[np.ix_(free, free)] = root @ root.T
        rows = (2 * self.mark[:, None] + np.array([0, 1])).T.ravel()
        return x[rows].reshape(2, -1).T, whole[np.ix_(rows, rows)]


def start_of(case: Notes, network: Network) -> np.ndarray:
    """Places from the network to start near; headings of the runs."""
    dense = Dense(case, device_of(case), 1.0, 1.0, np.zeros(0))
    n = len(case.book)
    marks = np.zeros((dense.counts[0] // 2, 2))
    marks[dense.mark] = network.en
    for name, given in case.site.anchor.marks.items():
        marks[dense.mark[dense.row_of(name)]] = given.easting - 500.0, given.northing - 700.0
    heading = network.orientation[case.book.run]
    rest = np.zeros(dense.counts[3] + dense.counts[4])
    assert len(heading) == n
    return np.concatenate([marks.ravel(), network.en.ravel(), heading, rest])


@dataclass
class DenseHeights:
    """Every elevation an unknown; observations are legs, drifts, visits, known marks."""

    case: Notes
    device: Device
    factor: float
    map_factor: float

    def __post_init__(self) -> None:
        dense = Dense(self.case, self.device, self.factor, self.map_factor, np.zeros(0))
        book, model, root = self.case.book, self.device, math.sqrt(self.factor)
        self.mark, self.legs, n = dense.mark, dense.legs, len(book)
        drift = dense.counts[0] // 2 + n
        self.size = drift + 3 * len(book.runs)
        path = drift - n + np.arange(n) if model.pointing_up > 0 else dense.mark
        design, seen, sd = [], [], []

        def add(entries: dict[int, float], value: float, sigma: float) -> None:
            row = np.zeros(self.size)
            for at, by in entries.items():
                row[at] += by
            design.append(row)
            seen.append(value)
            sd.append(sigma)

        for i, j in dense.legs:
            step, run = book.local[j] - book.local[i], int(book.run[i])
            length = float(np.sqrt((step**2).sum()))
            entries = {int(path[j]): 1.0, int(path[i]): -1.0}
            for k, by in enumerate((length, self.map_factor * step[0], self.map_factor * step[1])):
                entries[drift + 3 * run + k] = -by
            add(entries, step[2], root * model.walk_up * math.sqrt(length))
        if model.pointing_up > 0:
            for i in range(n):
                add({int(dense.mark[i]): 1.0, int(path[i]): -1.0}, 0.0, root * model.pointing_up)
        for run in range(len(book.runs)):
            for k, sigma in enumerate((model.climb, model.tilt, model.tilt)):
                add({drift + 3 * run + k: 1.0}, 0.0, root * sigma)
        for name, given in self.case.site.anchor.marks.items():
            add({int(dense.mark[dense.row_of(name)]): 1.0}, given.elevation, given.sigma)
        self.design, self.seen, self.sigma = np.array(design), np.array(seen), np.array(sd)

    def solved(self) -> tuple[np.ndarray, np.ndarray]:
        """The elevations and drifts, and their covariance."""
        # what the device does not have is no unknown
        real = self.sigma > 0
        gone = [int(np.flatnonzero(row)[0]) for row in self.design[~real]]
        used = np.flatnonzero(np.abs(self.design[real]).sum(axis=0))
        used = np.setdiff1d(used, gone)
        weighted = self.design[real][:, used] / self.sigma[real, None]
        spread = np.zeros((self.size, self.size))
        spread[np.ix_(used, used)] = np.linalg.inv(weighted.T @ weighted)
        return spread[:, used] @ weighted.T @ (self.seen[real] / self.sigma[real]), spread

    def likelihood(self) -> float:
        """Minus twice the logarithm of the restricted one, but for a constant of the survey."""
        found, _ = self.solved()
        weighted = self.design / self.sigma[:, None]
        left = (self.design @ found - self.seen) / self.sigma
        determinant = np.linalg.slogdet(weighted.T @ weighted)[1]
        return float(2 * np.log(self.sigma).sum() + determinant + (left**2).sum())

    def residuals(self) -> tuple[np.ndarray, np.ndarray]:
        """Adjusted less observed, legs first, then visits; and their standard deviations."""
        found, spread = self.solved()
        left = np.diag(self.sigma**2) - self.design @ spread @ self.design.T
        return self.design @ found - self.seen, np.sqrt(np.maximum(np.diag(left), 0.0))
