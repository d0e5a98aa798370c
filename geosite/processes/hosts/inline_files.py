"""Files that come within a request: ``{"value": ..., "encoding": "base64", "mediaType": ...}``.

OGC API - Processes, Part 1 (18-062r2), schema ``qualifiedInputValue``.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from geosite.base.errors import InputError, Problem

__all__ = ["inline_file"]

_ENDINGS = {
    "application/flatgeobuf": ".fgb",
    "application/geo+json": ".geojson",
    "application/geopackage+sqlite3": ".gpkg",
    "application/gml+xml": ".gml",
    "application/json": ".json",
    "application/toml": ".toml",
    "application/vnd.google-earth.kml+xml": ".kml",
    "application/vnd.oasis.opendocument.spreadsheet": ".ods",
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": ".xlsx",
    "application/zip": ".zip",
    "image/tiff": ".tif",
    "image/vnd.dxf": ".dxf",
    "text/csv": ".csv",
    "text/plain": ".txt",
    "text/x-aaigrid": ".asc",
}


def inline_file(name: str, given: Any, folder: Path) -> str | None:
    """Write what a request holds of a file; None where it names one instead.

    Parameters
    ----------
    name
        Of the input; of one of a list with its number, ``"sites[1]"``.
    given
        Its value.
    folder
        Where the file goes; made if it is not there.

    Returns
    -------
    str or None
        Path of the file.

    Raises
    ------
    InputError
        An unknown media type, base64 that is none.
    """
    if not isinstance(given, Mapping) or "value" not in given:
        return None
    value, encoding = given["value"], given.get("encoding")
    if isinstance(value, str) and encoding is None and "mediaType" not in given:
        return None  # a name
    said = given.get("mediaType", given.get("format", {}))
    if isinstance(said, Mapping):
        said = said.get("mediaType", "application/geo+json" if isinstance(value, dict) else None)
    kind = str(said).partition(";")[0].strip().lower()
    if kind not in _ENDINGS:
        raise _refused(f"the mediaType of {name} is {kind[:80]}", f"one of {', '.join(_ENDINGS)}")
    if encoding == "base64" and isinstance(value, str):
        try:
            data = base64.b64decode("".join(value.split()), validate=True)
        except (binascii.Error, ValueError) as error:
            raise _refused(f"the value of {name} is not base64 ({error})", "base64") from error
    elif encoding is not None and encoding != "utf-8":
        raise _refused(f"the encoding of {name} is {str(encoding)[:80]}", "base64")
    else:
        text = value if isinstance(value, str) else json.dumps(value)
        data = text.encode("utf-8", "surrogatepass")
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name.partition('[')[0]}{_ENDINGS[kind]}"
    path.write_bytes(data)
    return str(path)


def _refused(what: str, expected: str) -> InputError:
    return InputError(Problem("input-inline", what, expected, "correct the request"))
