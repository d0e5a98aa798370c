"""Thin-plate spline: the least bent surface that passes the marks as closely as they are known."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.base.grid import Grid

__all__ = [
    "blending_weight",
    "interpolate_thin_plate",
    "leave_one_out_thin_plate",
    "on_a_line",
    "overlapping_patches",
    "scaled_positions",
    "smoothing_diagonal",
    "spline_equations",
]

#: Up to so many marks one spline serves the whole site.
ONE_SPLINE = 500
_PER_PATCH = 60
_OVERLAP = 0.25
_MOST_FOR_LIKELIHOOD = 300
#: Pairs of a mark and a cell worked on at a time: half a megabyte.
_IN_CACHE = 1 << 16


def scaled_positions(points: Floats) -> tuple[Floats, Floats, float]:
    """Return positions from their middle in units of their extent.

    The spline's equations then are well conditioned.

    Returns
    -------
    positions : array, shape (n, 2)
    middle : array, shape (2,)
    size
        The larger side of the extent.

    Examples
    --------
    >>> positions, middle, size = scaled_positions(np.array([[10.0, 10.0, 0.0], [14.0, 12.0, 0.0]]))
    >>> positions.tolist(), middle.tolist(), size
    ([[-0.5, -0.25], [0.5, 0.25]], [12.0, 11.0], 4.0)
    """
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    middle, size = (low + high) / 2, float((high - low).max())
    return (points[:, :2] - middle) / size, middle, size


def _kernel(p: Floats, q: Floats) -> Floats:
    """Return ``r**2 log r``, shape (..., m, n), between p, (..., m, 2), and q, (..., n, 2)."""
    apart = p[..., :, None, :] - q[..., None, :, :]
    square = (apart * apart).sum(axis=-1)
    # 0 log 0 is 0
    kernel: Floats = 0.5 * square * np.log(np.where(square > 0, square, 1.0))
    return kernel


def _linear_part(p: Floats) -> Floats:
    return np.concatenate([np.ones((*p.shape[:-1], 1)), p], axis=-1)


def smoothing_diagonal(points: Floats, noise: Floats | None) -> Floats:
    """Choose how far the spline may pass beside each mark.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
        Distinct positions.
    noise : array, shape (n,), optional
        Standard deviation of each elevation against its neighbours; without it the spline goes
        through the marks.

    Returns
    -------
    array, shape (n,)
        What is added to the diagonal of the spline's equations, for positions in units of their
        extent.

    Notes
    -----
    The spline is the best estimate (kriging) of a surface drawn at random with the generalised
    covariance ``tau**2 r**2 log r`` from marks with these standard deviations; the diagonal then is
    ``(noise / tau)**2`` (Wahba, G. (1990), Spline models for observational data, ch. 1 and 4,
    doi:10.1137/1.9781611970128). How rough the ground is, tau, is the one unknown. It is estimated
    by restricted maximum likelihood, from the increments of at most 300 marks that no plane
    changes.

    Examples
    --------
    >>> smoothing_diagonal(np.array([[0.0, 0.0, 1.0], [4.0, 0.0, 1.0], [0.0, 4.0, 2.0]]), None)
    array([0., 0., 0.])
    """
    if noise is None or not (noise > 0).any():
        return np.zeros(len(points))
    from scipy.linalg import eigh
    from scipy.optimize import minimize_scalar

    sigma = np.maximum(noise, 1e-3 * float(noise.max()))
    sample = np.arange(len(points))
    if len(points) > _MOST_FOR_LIKELIHOOD:
        sample = np.sort(np.random.default_rng(0).permutation(len(points))[:_MOST_FOR_LIKELIHOOD])
    if len(sample) < 5:
        return np.zeros(len(points))
    position = scaled_positions(points)[0][sample]
    full, _ = np.linalg.qr(_linear_part(position), mode="complete")
    increments = full[:, 3:]
    kernel = increments.T @ _kernel(position, position) @ increments
    noise_covariance = increments.T @ (sigma[sample, None] ** 2 * increments)
    values, vectors = eigh(kernel, noise_covariance)
    values = np.maximum(values, 0.0)
    square = (vectors.T @ (increments.T @ points[sample, 2])) ** 2

    def deviance(log_ratio: float) -> float:
        variance = np.exp(log_ratio) * values + 1.0
        return float((np.log(variance) + square / variance).sum())

    # from "all is noise" to "none is"
    lowest = np.log(1e-6 / values.max())
    highest = np.log(1e6 / max(values.min(), values.max() * 1e-12))
    log_ratios = np.linspace(lowest, highest, 80)
    best = int(np.argmin([deviance(t) for t in log_ratios]))
    bracket = (log_ratios[max(best - 1, 0)], log_ratios[min(best + 1, len(log_ratios) - 1)])
    ratio = np.exp(minimize_scalar(deviance, bounds=bracket, method="bounded").x)
    diagonal: Floats = sigma**2 / ratio
    return diagonal


def interpolate_thin_plate(
    points: Floats,
    grid: Grid,
    inside: npt.NDArray[np.bool_],
    noise: Floats | None = None,
) -> Floats:
    """Interpolate elevations by a thin-plate spline.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
        Distinct positions, not all on one line.
    grid
    inside : array of bool, shape (rows, cols)
        Where to interpolate; NaN elsewhere.
    noise : array, shape (n,), optional
        See `smoothing_diagonal`.

    Returns
    -------
    array, shape (rows, cols)

    Notes
    -----
    Duchon, J. (1977), Splines minimizing rotation-invariant semi-norms in Sobolev spaces, Lecture
    Notes in Mathematics 571:85-100, doi:10.1007/BFb0086566. With more than 500 marks the site is
    cut into overlapping patches of some 60 marks and more, whose splines are blended smoothly (a
    partition of unity: Wendland, H. (2005), Scattered data approximation, ch. 15.4,
    doi:10.1017/CBO9780511617539); cost then grows in proportion to marks and cells.

    Examples
    --------
    Through marks on a plane the spline is the plane, here of 10 % to the east:

    >>> marks = np.array([[0.0, 0, 0.0], [10, 0, 1.0], [0, 10, 0.0], [10, 10, 1.0]])
    >>> grid = Grid(0.0, 10.0, 5.0, 2, 2)
    >>> interpolate_thin_plate(marks, grid, np.ones((2, 2), bool)).round(6).tolist()
    [[0.25, 0.75], [0.25, 0.75]]
    """
    position, middle, size = scaled_positions(points)
    diagonal = smoothing_diagonal(points, noise)
    east, north = grid.centres()
    u, v = (east - middle[0]) / size, (north - middle[1]) / size
    total, weighted = np.zeros(grid.shape), np.zeros(grid.shape)
    for box, marks in overlapping_patches(position):
        cols = np.flatnonzero((u > box[0]) & (u < box[2]))
        rows = np.flatnonzero((v > box[1]) & (v < box[3]))
        needed = inside[np.ix_(rows, cols)]
        if not needed.any():
            continue
        right_side = np.concatenate([points[marks, 2], np.zeros(3)])
        equations = spline_equations(position[marks], diagonal[marks])
        coefficients = np.linalg.solve(equations, right_side)
        weight = (
            np.outer(
                blending_weight(v[rows], box[1], box[3]), blending_weight(u[cols], box[0], box[2])
            )
            * needed
        )
        total[np.ix_(rows, cols)] += weight
        weighted[np.ix_(rows, cols)] += weight * _on_grid(
            position[marks], coefficients, u[cols], v[rows], needed
        )
    with np.errstate(invalid="ignore"):
        z: Floats = np.where(inside, weighted / total, np.nan)
    return z


def _on_grid(
    position: Floats, coefficients: Floats, u: Floats, v: Floats, needed: npt.NDArray[np.bool_]
) -> Floats:
    """Return a spline on a grid; 0 where it is not wanted.

    The square of a distance is the sum of a number per column and one per row, so that a mark and a
    cell cost one addition, one logarithm and two products.
    """
    count = len(position)
    along = np.square(v[:, None] - position[None, :, 1])
    out = np.zeros((len(v), len(u)))
    wide = max(_IN_CACHE // count, 16)
    for start in range(0, len(u), wide):
        part = slice(start, start + wide)
        across = np.square(u[part, None] - position[None, :, 0])
        square, log = np.empty_like(across), np.empty_like(across)
        for row in np.flatnonzero(needed[:, part].any(axis=1)):
            np.add(across, along[row], out=square)
            # 0 log 0 is 0
            np.maximum(square, np.finfo(float).tiny, out=log)
            np.log(log, out=log)
            np.multiply(square, log, out=square)
            out[row, part] = square @ coefficients[:count]
    out *= 0.5
    out += (
        coefficients[count]
        + coefficients[count + 1] * u[None, :]
        + coefficients[count + 2] * v[:, None]
    )
    return np.where(needed, out, 0.0)


def blending_weight(t: Floats, low: float, high: float) -> Floats:
    """Return the weight of a patch: 1 in its middle, 0 with level slope at both ends.

    ``(1 - s**2)**2`` where s runs from -1 to 1 over the patch (biweight).

    Examples
    --------
    >>> blending_weight(np.array([0.0, 1.0, 2.0, 3.0, 4.0]), 0.0, 4.0).tolist()
    [0.0, 0.5625, 1.0, 0.5625, 0.0]
    """
    if not np.isfinite(low):
        return np.ones_like(t)
    across = (2 * t - low - high) / (high - low)
    weight: Floats = (1 - across * across) ** 2
    return weight


def overlapping_patches(
    position: Floats,
) -> Iterator[tuple[tuple[float, float, float, float], Ints]]:
    """Yield boxes that overlap and cover all positions, with the marks of the spline of each.

    Examples
    --------
    Up to 500 marks one spline serves the whole site:

    >>> ((box, marks),) = overlapping_patches(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    >>> box, marks.tolist()
    ((-inf, -inf, inf, inf), [0, 1, 2])
    """
    if len(position) <= ONE_SPLINE:
        whole = (-np.inf, -np.inf, np.inf, np.inf)
        yield whole, np.arange(len(position))
        return
    from scipy.spatial import KDTree

    tree = KDTree(position)
    stack = [(0.0, 0.0, 1.0 + 1e-9, np.arange(len(position)))]
    while stack:
        x, y, size, near = stack.pop()
        half_width = size / 2 + _OVERLAP * size
        is_inside = (np.abs(position[near] - (x, y)) < half_width).all(axis=1)
        near = near[is_inside]
        if len(near) > 2 * _PER_PATCH:
            step = size / 4
            stack.extend(
                (x + i * step, y + j * step, size / 2, near) for i in (-1, 1) for j in (-1, 1)
            )
            continue
        count = _PER_PATCH
        while len(near) < _PER_PATCH or on_a_line(position[near]):
            # marks streamed along one edge carry no spline by themselves
            near = np.asarray(tree.query((x, y), k=min(count, len(position)))[1])
            if count >= len(position):
                break
            count *= 2
        yield (x - half_width, y - half_width, x + half_width, y + half_width), near


def on_a_line(position: Floats) -> bool:
    """Whether marks lie on a line to a thousandth of their extent: no spline over them is one.

    Examples
    --------
    >>> on_a_line(np.array([[0.0, 0.0], [5.0, 0.001], [10.0, 0.0]]))
    True
    """
    singular_values = np.linalg.svd(position - position.mean(axis=0), compute_uv=False)
    return bool(singular_values[1] <= 1e-3 * singular_values[0])


def leave_one_out_thin_plate(points: Floats, noise: Floats | None, which: Ints) -> Floats:
    """Predict marks from the others.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
        Distinct positions, not all on one line.
    noise : array, shape (n,), optional
        See `smoothing_diagonal`, which is not repeated without the mark.
    which : array of int, shape (k,)
        Marks to predict.

    Returns
    -------
    array, shape (k,)
        Predicted elevations.

    Notes
    -----
    Up to 500 marks in closed form from one inverse: the residual of a mark left out is its
    coefficient divided by its diagonal element of the inverse (Rippa, S. (1999), An algorithm for
    selecting a good value for the parameter c in radial basis function interpolation, Advances in
    Computational Mathematics 11:193-210, doi:10.1023/A:1018975909870; it holds for the bordered
    system too). Above, each mark is predicted by the spline through its 60 nearest neighbours.

    Examples
    --------
    A mark 1 m above a level square is predicted at the level of the square:

    >>> marks = np.array([[0.0, 0, 5], [4, 0, 5], [4, 4, 5], [0, 4, 5], [2, 2, 6]])
    >>> leave_one_out_thin_plate(marks, None, np.array([4])).round(6)
    array([5.])
    """
    position = scaled_positions(points)[0]
    diagonal = smoothing_diagonal(points, noise)
    if len(points) <= ONE_SPLINE:
        inverse = np.linalg.inv(spline_equations(position, diagonal))
        count = len(points)
        coefficient = inverse[:count, :count] @ points[:, 2]
        left_out: Floats = points[:, 2] - coefficient / np.diagonal(inverse)[:count]
        return left_out[which]
    from scipy.spatial import KDTree

    out = np.empty(len(which))
    tree = KDTree(position)
    for start in range(0, len(which), 64):
        part = which[start : start + 64]
        mark = np.asarray(tree.query(position[part], k=_PER_PATCH + 1)[1])
        # the mark itself is one of them
        own = mark == part[:, None]
        mark = mark[~own].reshape(len(part), _PER_PATCH)
        right_side = np.zeros((len(part), _PER_PATCH + 3))
        right_side[:, :_PER_PATCH] = points[mark, 2]
        equations = spline_equations(position[mark], diagonal[mark])
        coefficients = np.linalg.solve(equations, right_side[..., None])[..., 0]
        place = position[part][:, None, :]
        row = np.concatenate([_kernel(place, position[mark]), _linear_part(place)], axis=-1)
        out[start : start + 64] = (row[:, 0] * coefficients).sum(axis=1)
    return out


def spline_equations(position: Floats, diagonal: Floats) -> Floats:
    """Return the spline's equations, shape (..., n + 3, n + 3).

    The kernel ``r**2 log r`` between marks plus the diagonal, bordered by the plane ``1, x, y``.

    Examples
    --------
    Two marks one unit apart, where ``r**2 log r`` is 0:

    >>> spline_equations(np.array([[0.0, 0.0], [1.0, 0.0]]), np.zeros(2)).astype(int).tolist()
    [[0, 0, 1, 0, 0], [0, 0, 1, 1, 0], [1, 1, 0, 0, 0], [0, 1, 0, 0, 0], [0, 0, 0, 0, 0]]
    """
    count = position.shape[-2]
    matrix = np.zeros((*position.shape[:-2], count + 3, count + 3))
    matrix[..., :count, :count] = _kernel(position, position)
    index = np.arange(count)
    matrix[..., index, index] += diagonal
    linear = _linear_part(position)
    matrix[..., :count, count:] = linear
    matrix[..., count:, :count] = np.swapaxes(linear, -1, -2)
    return matrix
