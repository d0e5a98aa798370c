"""What the error of a walked device is made of.

Of one run, with legs d_k, way s and time t::

    path_{k+1} = path_k + R(theta + psi_k) (d_k / (1 + g) + u_k)       mark = path_k + w_k
    z_{k+1}    = z_k + rise_k + r ds + tau . d_k + u_z                 height = z_k + w_z

Heading psi is a random walk along the way, g the scale of the run, r its climb, tau the tilt of its
vertical axis; u is a random walk of the position and w the pointing, which does not add up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import DeviceTable

__all__ = ["CLASSES", "Device", "device_of"]

SURE = 4.0
"""Misclosures that numbers which the site file gives one by one count as."""


@dataclass(frozen=True, slots=True)
class Device:
    """Standard deviations of the parts of a device's error.

    Parameters
    ----------
    pointing, pointing_up
        w per horizontal axis and upwards, metres.
    walk, walk_up
        u, metres per square root of a metre walked.
    heading
        psi, radians per square root of a metre walked.
    scale
        g, of a run.
    climb
        r, metres per metre walked, of a run.
    tilt
        tau, radians about each horizontal axis, of a run.
    degrees_of_freedom
        How well the size of these is known: that of as many independent misclosures.
    leg
        Another part of u, metres for every leg whatever its length (only ``[survey.leg_noise]``).
    walk_per_second, walk_up_per_second
        u where times are recorded, metres per square root of a second; ``None``: by the way.
    name
        ``"unknown"``, ``"good"``, ``"calibrated"``, ``"leg noise"``.
    given
        False where the site file says nothing of the device.
    """

    pointing: float
    pointing_up: float
    walk: float
    walk_up: float
    heading: float
    scale: float
    climb: float
    tilt: float
    degrees_of_freedom: float
    leg: float = 0.0
    walk_per_second: float | None = None
    walk_up_per_second: float | None = None
    name: str = "unknown"
    given: bool = True

    @classmethod
    def from_leg_noise(cls, constant: float, per_sqrt_metre: float) -> Device:
        """Return a device whose legs err independently by ``sqrt(constant^2 + b^2 length)``.

        Examples
        --------
        >>> Device.from_leg_noise(0.005, 0.004).heading
        0
        """
        b = per_sqrt_metre
        return cls(0, 0, b, b, 0, 0, 0, 0, math.inf, leg=constant, name="leg noise")

    @property
    def is_leg_noise(self) -> bool:
        """Legs err independently and by a known amount."""
        return self.name == "leg noise"


CLASSES = {
    "unknown": Device(
        pointing=0.010,
        pointing_up=0.010,
        walk=0.015,
        walk_up=0.015,
        heading=math.radians(0.4),
        scale=0.010,
        climb=0.005,
        tilt=math.radians(0.4),
        degrees_of_freedom=2.0,
    ),
    "good": Device(
        pointing=0.005,
        pointing_up=0.005,
        walk=0.005,
        walk_up=0.005,
        heading=math.radians(0.3),
        scale=0.008,
        climb=0.005,
        tilt=math.radians(0.3),
        degrees_of_freedom=3.0,
        name="good",
    ),
}
"""Starting values, from recordings of hand-held and carried motion tracking with measured truth.

They are of phones and cameras with an inertial sensor of the years 2012 to 2020; what is known of
an unknown device is little, so its size counts as two misclosures. A good one is held in the hand:
trackers on a vehicle climb and lean more, and are unknown ones.
"""


def device_of(notes: Notes) -> Device:
    """Return the device of a survey: leg noise, a class, a file, numbers; else an unknown one.

    Examples
    --------
    >>> round(math.degrees(CLASSES["unknown"].heading), 3)
    0.4
    """
    survey = notes.site.survey
    if survey.leg_noise is not None:
        return Device.from_leg_noise(survey.leg_noise.constant, survey.leg_noise.per_sqrt_metre)
    if survey.device is None:
        return replace(CLASSES["unknown"], given=False)
    device = CLASSES[survey.device.class_ or "unknown"]
    if notes.attached.device is not None:
        device = _changed(device, notes.attached.device)
    return _changed(device, survey.device)


def _changed(device: Device, table: DeviceTable) -> Device:
    """Take the numbers that a table gives."""
    numbers = {
        "pointing": table.pointing,
        "pointing_up": table.pointing if table.pointing_up is None else table.pointing_up,
        "walk": table.walk,
        "walk_up": table.walk if table.walk_up is None else table.walk_up,
        "walk_per_second": table.walk_per_second,
        "walk_up_per_second": table.walk_per_second
        if table.walk_up_per_second is None
        else table.walk_up_per_second,
        "heading": None if table.heading_deg is None else math.radians(table.heading_deg),
        "scale": None if table.scale_percent is None else table.scale_percent / 100,
        "climb": None if table.climb_percent is None else table.climb_percent / 100,
        "tilt": None if table.tilt_deg is None else math.radians(table.tilt_deg),
    }
    given = {name: value for name, value in numbers.items() if value is not None}
    if not given and table.degrees_of_freedom is None:
        return device
    sure = device.degrees_of_freedom if not given else SURE
    if table.degrees_of_freedom is not None:
        sure = table.degrees_of_freedom
    changed: Device = replace(device, name="calibrated", degrees_of_freedom=sure, **given)  # type: ignore[arg-type]
    return changed
