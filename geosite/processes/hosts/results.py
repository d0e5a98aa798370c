"""Results of a run as OGC API - Processes, Part 1 (18-062r2) wants them answered."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from geosite.base.errors import InputError, Problem

__all__ = ["Answer", "Asked", "answered", "asked_for"]

VALUE_LIMIT = 100_000_000
"""Bytes that are answered by value."""

Mode = Literal["value", "reference"]


@dataclass(frozen=True, slots=True)
class Asked:
    """How results are to be answered.

    Parameters
    ----------
    response
        ``"document"`` or ``"raw"``.
    modes
        Of the outputs that were named, in their order; empty for all of them by value.
    """

    response: Literal["document", "raw"]
    modes: Mapping[str, Mode]


@dataclass(frozen=True, slots=True)
class Answer:
    """Status, headers and body."""

    status: int
    headers: tuple[tuple[str, str], ...]
    body: bytes


def asked_for(request: Mapping[str, Any], known: list[str]) -> Asked:
    """Read ``outputs`` and ``response`` of an execute request.

    Where a request says nothing, all outputs come by value and raw, one as it is and several as
    parts, as the standard has it (18-062r2, section 7.11). Those of a site are large: references
    must be asked for.

    Raises
    ------
    InputError
        An unknown output, mode or response.
    """
    wanted = request.get("outputs")
    problems = []
    if isinstance(wanted, list):  # names alone, as some clients send them
        wanted = {str(name): {} for name in wanted}
    if wanted is not None and not isinstance(wanted, Mapping):
        problems.append(_problem("outputs is no object", "an object with outputs as its keys"))
        wanted = None
    modes: dict[str, Mode] = {}
    for name, one in (wanted or {}).items():
        mode = one.get("transmissionMode", "value") if isinstance(one, Mapping) else None
        if name not in known:
            problems.append(_problem(f"there is no output {name}", f"one of {', '.join(known)}"))
        elif not isinstance(one, Mapping):
            given = json.dumps(one)[:80]
            problems.append(_problem(f"the output {name} is {given}", "an object such as {}"))
        elif mode not in ("value", "reference"):
            problems.append(
                _problem(
                    f"the transmissionMode of {name} is {json.dumps(mode)[:80]}",
                    "value or reference",
                )
            )
        else:
            modes[name] = mode
    response = request.get("response", "raw")
    if response not in ("raw", "document"):
        problems.append(_problem(f"response is {json.dumps(response)[:80]}", "raw or document"))
    if problems:
        raise InputError(problems)
    return Asked(response, modes)


def _problem(what: str, expected: str) -> Problem:
    return Problem("request-outputs", what, expected, "correct the request")


def answered(asked: Asked, made: Mapping[str, Mapping[str, str]], folder: Path) -> Answer:
    """Answer results.

    Parameters
    ----------
    asked
        How.
    made
        ``{output: {"href", "type"}}``.
    folder
        Where the files lie that the references name.

    Raises
    ------
    InputError
        More by value than is answered by value.
    """
    modes: dict[str, Mode] = dict(asked.modes) or dict.fromkeys(made, "value")
    modes = {name: mode for name, mode in modes.items() if name in made}
    files = {name: folder / made[name]["href"].rpartition("/")[2] for name in modes}
    size = sum(files[name].stat().st_size for name, mode in modes.items() if mode == "value")
    if size > VALUE_LIMIT:
        raise InputError(
            Problem(
                "outputs-large",
                f"the outputs asked for by value have {size / 1e6:.0f} MB",
                f"at most {VALUE_LIMIT / 1e6:.0f} MB by value",
                'ask for them with "transmissionMode": "reference"',
            )
        )
    if asked.response == "document":
        found = {
            name: _qualified(files[name], made[name]["type"]) if mode == "value" else made[name]
            for name, mode in modes.items()
        }
        body = json.dumps(found, indent=2, sort_keys=True).encode()
        return Answer(200, (("Content-Type", "application/json"),), body)
    return _raw(modes, made, files)


def _qualified(file: Path, kind: str) -> dict[str, Any]:
    """Return a value with its media type (schema ``qualifiedInputValue``)."""
    data = file.read_bytes()
    if kind.startswith("application/json"):
        return {"value": json.loads(data), "mediaType": kind}
    if kind.startswith("text/"):
        return {"value": data.decode("utf-8"), "mediaType": kind}
    return {
        "value": base64.b64encode(data).decode("ascii"),
        "encoding": "base64",
        "mediaType": kind,
    }


def _raw(
    modes: Mapping[str, Mode], made: Mapping[str, Mapping[str, str]], files: Mapping[str, Path]
) -> Answer:
    if all(mode == "reference" for mode in modes.values()):
        links = [
            ("Link", f'<{made[n]["href"]}>; rel="{n}"; type="{_bare(made[n]["type"])}"')
            for n in modes
        ]
        return Answer(204, tuple(links), b"")
    if len(modes) == 1:
        (name,) = modes
        return Answer(200, (("Content-Type", made[name]["type"]),), files[name].read_bytes())
    parts = []
    for name, mode in modes.items():
        head = f"Content-ID: <{name}>\r\nContent-Type: {made[name]['type']}\r\n"
        if mode == "reference":
            parts.append(f"{head}Content-Location: {made[name]['href']}\r\n\r\n".encode())
        else:
            parts.append(f"{head}\r\n".encode() + files[name].read_bytes())
    boundary = _boundary(parts)
    body = b"".join(f"--{boundary}\r\n".encode() + part + b"\r\n" for part in parts)
    kind = f'multipart/related; boundary="{boundary}"'
    return Answer(200, (("Content-Type", kind),), body + f"--{boundary}--\r\n".encode())


def _boundary(parts: Sequence[bytes]) -> str:
    """Return a boundary that none of the parts holds."""
    import hashlib

    digest = hashlib.sha256()
    for part in parts:
        digest.update(part)
    return f"geosite-output-{digest.hexdigest()}"


def _bare(kind: str) -> str:
    return kind.partition(";")[0].strip()
