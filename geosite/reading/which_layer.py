"""Which layer of a file from outside is meant, where it holds several."""

from __future__ import annotations

from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

from geosite.base.errors import Refuse
from geosite.base.problems import did_you_mean, nearest, shown
from geosite.reading.foreign import open_options

__all__ = ["layer_of"]

_LISTED = 20
_OF_ANY_KIND = ("Unknown", "GeometryCollection")


def layer_of(
    place: Path | str,
    wanted: str | None,
    kinds: Collection[str],
    refuse: Refuse,
    *,
    file: str,
    key: str,
    open_layer: Callable[[str], Any],
) -> str | None:
    """Choose the layer: the one that is named, or the only one that can hold what is looked for.

    Tables without places, such as the styles that a desktop leaves, are no choice.

    Parameters
    ----------
    place, file
        For the library, and as the user named it.
    wanted
        Name of the layer, ``None`` where none is named.
    kinds
        Kinds of geometry that are looked for, such as ``"Polygon"``.
    refuse
        Makes the error of a code, what is wrong, what was expected and what to do.
    key
        Of the site file, that names the layer.
    open_layer
        Opens one for its schema.

    Returns
    -------
    str or None
        ``None`` for a file of one layer, which drivers may call by different names, or none.

    Raises
    ------
    InputError
        No layer of that name, or several that can be meant.
    """
    import fiona

    names = [str(name) for name in fiona.listlayers(place, **open_options(place))]
    listed = ", ".join(names[:_LISTED])
    if wanted is not None:
        if wanted not in names:
            raise refuse(
                "layer-unknown",
                f"{file} has no layer {shown(wanted)}",
                f"one of {listed}" if names else "a layer",
                did_you_mean(nearest(wanted, names), f"correct {key}"),
            )
        return wanted
    if len(names) < 2:
        return None
    fitting = []
    for name in names:
        with open_layer(name) as source:
            kind = str(source.schema["geometry"]).removeprefix("3D ").removeprefix("Multi")
        if kind in kinds or kind in _OF_ANY_KIND:
            fitting.append(name)
    if len(fitting) > 1:
        raise refuse(
            "layer-several",
            f"{file} holds several layers",
            f"one of {', '.join(fitting[:_LISTED])}",
            f"name it with {key}",
        )
    return fitting[0] if fitting else names[0]
