"""What writing would refuse, told without writing."""

from __future__ import annotations

from geosite.fieldbook.sitefile import Handover
from geosite.handover.model import Package

__all__ = ["refuse_unwritable"]


def refuse_unwritable(package: Package, options: Handover) -> None:
    """Refuse a package that cannot be written as its site file asks.

    Of the writers only the plan has limits of its own: a scale at which it would take more sheets
    than anybody lays out. Whether a folder can be written is its own question
    (`geosite.handover.folder.output_place.refuse_place`); a full disk shows only when it is
    written to.

    Parameters
    ----------
    package
    options
        ``[handover]``.

    Raises
    ------
    OutputRefused
        What `write_package` would raise.
    """
    if options.plan and options.scale is not None:
        from geosite.handover.plan.sheet import tiles_of

        tiles_of(package, options)
