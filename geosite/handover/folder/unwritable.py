"""What writing would refuse, told without writing, and where the site file asks for it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from geosite.base.errors import OutputRefused
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Handover
from geosite.handover.model import Package
from geosite.reading.toml_lines import line_of

__all__ = ["refuse_unwritable", "told_where_asked"]


@contextmanager
def told_where_asked(notes: Notes) -> Iterator[None]:
    """Let a plan that cannot be laid out be told at the line that asks for its scale.

    Raises
    ------
    OutputRefused
        Of the body; of the plan with the site file and its line.
    """
    try:
        yield
    except OutputRefused as error:
        line = line_of(notes.site_lines, ("handover", "scale"))
        raise OutputRefused(
            replace(problem, file=notes.site_file, line=line)
            if problem.code in _OF_THE_SCALE and problem.file is None
            else problem
            for problem in error.problems
        ) from None


_OF_THE_SCALE = ("plan-does-not-fit", "plan-is-a-dot")


def refuse_unwritable(package: Package, options: Handover) -> None:
    """Refuse a package that cannot be written as its site file asks.

    Of the writers only the plan has limits of its own: a scale at which it would take more sheets
    than anybody lays out, or at which nothing of it could be seen. Whether a folder can be written
    is its own question (`geosite.handover.folder.output_place.refuse_place`); a full disk shows
    only when it is written to.

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
