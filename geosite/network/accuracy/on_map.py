"""How well places are known on the map: what the walk leaves, and the shift common to all."""

from __future__ import annotations

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.statistics import ellipse_factor, t_factor
from geosite.network.covariance import sigma_horizontal, sigma_vertical
from geosite.network.model import Network

__all__ = ["ellipse_half_axis", "half_widths", "stated_sigmas"]


def stated_sigmas(network: Network) -> tuple[Floats, Floats]:
    """Return the standard deviation per horizontal axis and of the elevation of each observation.

    Returns
    -------
    horizontal, vertical : array, shape (n,), metres
        NaN where the accuracy is not known.
    """
    if not network.accuracy_known:
        nothing = np.full(len(network.en), np.nan)
        return nothing, nothing
    return sigma_horizontal(network), sigma_vertical(network)


def half_widths(network: Network) -> tuple[Floats, Floats]:
    """Return half the 95 % interval of each observation, per horizontal axis and of its elevation.

    Returns
    -------
    horizontal, vertical : array, shape (n,), metres
        Sigma times Student's t; with a common shift, whose size is known, the degrees of freedom
        are those of Satterthwaite (1946, doi:10.2307/3002019). NaN where not known.
    """
    shift = network.shift
    plan, level = stated_sigmas(network)
    return (
        plan * _factors(plan, shift.sigma, network.degrees_of_freedom),
        level * _factors(level, shift.sigma_up, network.vertical_degrees_of_freedom),
    )


def _factors(sigma: Floats, shift: float, freedom: float) -> Floats:
    if shift == 0 or np.isinf(freedom):
        return np.full(len(sigma), t_factor(freedom))
    from scipy.special import stdtrit

    own = np.maximum(sigma**2 - shift**2, 0.0)
    total = np.divide(sigma**4 * freedom, own**2, out=np.full(len(own), 1e12), where=own > 0)
    factors: Floats = stdtrit(np.minimum(total, 1e12), 0.975)
    return factors


def ellipse_half_axis(network: Network, sigma: float) -> float:
    """Return the semi-axis of a 95 % error ellipse on the map from that of the walk alone.

    Parameters
    ----------
    network
    sigma
        Semi-axis of the standard ellipse without the common shift, metres.
    """
    if network.shift.sigma == 0 or not network.accuracy_known:
        return network.ellipse_factor * sigma
    total = network.shift.total(sigma)
    freedom = network.degrees_of_freedom * (total / sigma) ** 4 if sigma > 0 else np.inf
    return total * ellipse_factor(freedom)
