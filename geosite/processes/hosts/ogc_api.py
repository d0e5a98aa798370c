"""OGC API - Processes, Part 1 (OGC 18-062r2), where pygeoapi answers otherwise.

pygeoapi keeps the application, the plug-ins and the running of jobs. Its answers differ from the
standard in the mode and shape of results, types of errors, statuses, the list of jobs and the
classes that it declares; here are these answers.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from geosite.base.errors import InputError
from geosite.processes import registry
from geosite.processes.description import describe, summarise
from geosite.processes.hosts.results import Asked, answered, asked_for

if TYPE_CHECKING:
    from flask import Response

    from geosite.processes.hosts.jobs import Manager

__all__ = ["CONFORMANCE", "add_standard", "problem"]

_PART_1 = "http://www.opengis.net/spec/ogcapi-processes-1/1.0/conf"
CONFORMANCE = tuple(
    f"{_PART_1}/{name}"
    for name in ("core", "ogc-process-description", "json", "oas30", "job-list", "dismiss")
)
"""Classes whose abstract tests the host passes; callback is none of them."""

_ERROR = "http://www.opengis.net/def/exceptions/ogcapi-processes-1/1.0"
_REL = "http://www.opengis.net/def/rel/ogc/1.0"
_STATES = ("accepted", "running", "successful", "failed", "dismissed")
_MOST = 10_000


class _Wrong(Exception):
    """A request that is answered with an error."""

    def __init__(self, status: int, code: str, detail: str) -> None:
        super().__init__(detail)
        self.status, self.code, self.detail = status, code, detail


def problem(status: int, code: str, detail: str) -> dict[str, Any]:
    """Return an error as the standard wants it (schema ``exception``, after RFC 7807).

    Parameters
    ----------
    status
        Of HTTP.
    code
        ``NoSuchProcess``, ``NoSuchJob``, ``ResultNotReady`` and ``InvalidParameterValue`` are words
        of the standard; for what the status alone says RFC 7807 has ``about:blank``.
    detail
        One line for each fault.
    """
    own = {
        "NoSuchProcess": f"{_ERROR}/no-such-process",
        "NoSuchJob": f"{_ERROR}/no-such-job",
        "ResultNotReady": f"{_ERROR}/result-not-ready",
        "InvalidParameterValue": f"{_ERROR}/invalid-parameter-value",
    }
    return {
        "type": own.get(code, "about:blank"),
        "title": code,
        "status": status,
        "detail": detail,
        "code": code,
        "description": detail,
    }


def add_standard(application: Any, manager: Manager, document: Mapping[str, Any]) -> frozenset[str]:
    """Put the answers in the places of pygeoapi's.

    Parameters
    ----------
    application
        Of pygeoapi.
    manager
        Its jobs.
    document
        The OpenAPI document.

    Returns
    -------
    frozenset of str
        Endpoints that are answered here; pygeoapi has more (collections, tiles).
    """
    from flask import Response, request

    base = manager.url

    def reply(body: Any, status: int = 200, kind: str = "application/json") -> Response:
        return Response(json.dumps(body, indent=2), status, mimetype=kind)

    def guarded(view: Callable[..., Response]) -> Callable[..., Response]:
        def answer(**names: str) -> Response:
            try:
                return view(**names)
            except _Wrong as wrong:
                return reply(problem(wrong.status, wrong.code, wrong.detail), wrong.status)

        return answer

    def landing() -> Response:
        return reply(_landing(base))

    def conformance() -> Response:
        return reply({"conformsTo": list(CONFORMANCE)})

    def openapi() -> Response:
        return reply(document, kind="application/vnd.oai.openapi+json;version=3.0")

    def processes(process_id: str | None = None) -> Response:
        if process_id is not None:
            return reply(_described(manager, process_id))
        limit = _number(request.args, "limit", 1000)
        listed = registry.processes().processes
        shown = [name for name in listed if name in manager.processes][:limit]
        return reply(
            {
                "processes": [
                    {**summarise(listed[name]), "links": _process_links(base, name)}
                    for name in shown
                ],
                "links": [_link(f"{base}/processes", "self")],
            }
        )

    def execution(process_id: str) -> Response:
        return _execute(manager, process_id, request.get_data(), request.headers.get("Prefer", ""))

    def jobs(job_id: str | None = None) -> Response:
        if job_id is None:
            return reply(_job_list(manager, request.args))
        if request.method == "DELETE":
            job = _job(manager, job_id)
            manager.delete_job(job_id)
            gone = {"status": "dismissed", "message": "Job dismissed"}
            return reply(_status(base, _begun(job) | gone))
        return reply(_status(base, _job(manager, job_id)))

    def results(job_id: str) -> Response:
        return _results(manager, job_id)

    views: dict[str, Callable[..., Response]] = {
        "landing_page": landing,
        "conformance": conformance,
        "openapi": openapi,
        "get_processes": processes,
        "execute_process_jobs": execution,
        "get_jobs": jobs,
        "get_job_result": results,
    }
    own = {f"pygeoapi.{name}": guarded(view) for name, view in views.items()}
    application.view_functions.update(own)
    return frozenset(own)


def _link(href: str, rel: str, title: str = "", kind: str = "application/json") -> dict[str, str]:
    return {"href": href, "rel": rel, "type": kind, "title": title or "This document"}


def _landing(base: str) -> dict[str, Any]:
    openapi = "application/vnd.oai.openapi+json;version=3.0"
    return {
        "title": "geosite",
        "description": "Hand-walked site surveys to GIS layers, with their accuracy stated",
        "links": [
            _link(f"{base}/", "self"),
            _link(f"{base}/openapi", "service-desc", "The interface", openapi),
            _link(f"{base}/conformance", f"{_REL}/conformance", "Classes of the standard"),
            _link(f"{base}/processes", f"{_REL}/processes", "The processes"),
            _link(f"{base}/jobs", f"{_REL}/job-list", "The jobs"),
        ],
    }


def _process_links(base: str, name: str) -> list[dict[str, str]]:
    place = f"{base}/processes/{name}"
    return [
        _link(place, "self", "Description"),
        _link(f"{place}/execution", f"{_REL}/execute", "Execution"),
        _link(f"{base}/jobs", f"{_REL}/job-list", "The jobs"),
    ]


def _described(manager: Manager, name: str) -> dict[str, Any]:
    if name not in manager.processes:
        raise _Wrong(404, "NoSuchProcess", f'there is no process "{name[:100]}"')
    return {**describe(registry.find(name)), "links": _process_links(manager.url, name)}


def _job(manager: Manager, identifier: str) -> dict[str, Any]:
    from pygeoapi.process.base import JobNotFoundError

    try:
        return manager.get_job(identifier)
    except JobNotFoundError as error:
        raise _Wrong(404, "NoSuchJob", "there is no such job") from error


def _begun(job: Mapping[str, Any]) -> dict[str, Any]:
    """Return a job without the start that pygeoapi gives to one that waits."""
    return {k: v for k, v in job.items() if k != "started" or job["status"] != "accepted"}


def _status(base: str, job: Mapping[str, Any]) -> dict[str, Any]:
    """Return the status of a job (schema ``statusInfo``); nothing in it is null."""
    job = _begun(job)
    place = f"{base}/jobs/{job['identifier']}"
    links = [_link(place, "self", "Status"), _link(f"{base}/jobs", "up", "The jobs")]
    if job["status"] == "successful":
        links.append(_link(f"{place}/results", f"{_REL}/results", "Results"))
    told = {
        "processID": job["process_id"],
        "type": "process",
        "jobID": job["identifier"],
        "status": job["status"],
        **{
            name: job.get(name)
            for name in ("message", "created", "started", "finished", "updated", "progress")
        },
    }
    return {name: value for name, value in told.items() if value is not None} | {"links": links}


def _number(given: Mapping[str, str], name: str, default: int, least: int = 1) -> int:
    text = given.get(name)
    if text is None:
        return default
    if not (text.isascii() and text.isdigit() and least <= int(text[:18])):
        raise _Wrong(400, "InvalidParameterValue", f"{name} is no whole number of {least} and more")
    return min(int(text[:18]), _MOST)


def _job_list(manager: Manager, given: Any) -> dict[str, Any]:
    """Return the jobs that a request asks for, the newest first (class job-list)."""
    limit = _number(given, "limit", 1000)
    offset = _number(given, "offset", 0, least=0)
    keep = _wanted_jobs(given)
    found = [job for job in reversed(manager.get_jobs()["jobs"]) if keep(job)]
    links = [_link(f"{manager.url}/jobs", "self")]
    if offset + limit < len(found):
        from urllib.parse import urlencode

        asked = [(name, text) for name, text in given.items(multi=True) if name != "offset"]
        query = urlencode([*asked, ("offset", str(offset + limit))])
        links.append(_link(f"{manager.url}/jobs?{query}", "next", "More jobs"))
    shown = found[offset : offset + limit]
    return {"jobs": [_status(manager.url, job) for job in shown], "links": links}


def _wanted_jobs(given: Any) -> Callable[[Mapping[str, Any]], bool]:
    """Return the filter of a list (18-062r2, section 11.2)."""

    def several(name: str) -> list[str]:
        return [one for text in given.getlist(name) for one in text.split(",") if one]

    kinds, names, states = several("type"), several("processID"), several("status")
    wrong = [one for one in states if one not in _STATES]
    if wrong:
        raise _Wrong(
            400,
            "InvalidParameterValue",
            f"there is no status {wrong[0][:40]}, expected some of {', '.join(_STATES)}",
        )
    low, high = _period(given.get("datetime"))
    least = _number(given, "minDuration", 0, least=0)
    most = _number(given, "maxDuration", _MOST * _MOST, least=0)

    def keep(job: Mapping[str, Any]) -> bool:
        begun = _moment(job["created"])
        ended = _moment(job["finished"]) if job.get("finished") else datetime.now(UTC)
        lasted = (ended - begun).total_seconds()
        waits = job["status"] == "accepted"
        timed = "minDuration" in given or "maxDuration" in given
        return (
            (not kinds or "process" in kinds)
            and (not names or job["process_id"] in names)
            and (not states or job["status"] in states)
            and low <= begun <= high
            and not (timed and waits)
            and least <= lasted
            and ("maxDuration" not in given or lasted <= most)
        )

    return keep


def _moment(text: str) -> datetime:
    found = datetime.fromisoformat(text)
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def _period(text: str | None) -> tuple[datetime, datetime]:
    """Return both ends of ``datetime``: a moment, or two with a slash; ``..`` for an open end."""
    ends = [datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)]
    if text is None:
        return ends[0], ends[1]
    parts = text.split("/")
    try:
        if len(parts) > 2:
            raise ValueError
        for number, part in enumerate(parts):
            if part not in ("", ".."):
                ends[number] = _moment(part.replace(" ", "+"))
        if len(parts) == 1:
            ends[1] = ends[0]
    except ValueError:
        raise _Wrong(
            400, "InvalidParameterValue", "datetime is no time and no interval of RFC 3339"
        ) from None
    return ends[0], ends[1]


def _execute(manager: Manager, name: str, data: bytes, prefer: str) -> Response:
    from flask import Response
    from pygeoapi.process.base import ProcessorExecuteError
    from pygeoapi.util import RequestedProcessExecutionMode

    if name not in manager.processes:
        raise _Wrong(404, "NoSuchProcess", f'there is no process "{name[:100]}"')
    request = json.loads(data) if data.strip() else None
    if not isinstance(request, Mapping):
        raise _Wrong(400, "InvalidParameterValue", "the request is no JSON object with inputs")
    if "subscriber" in request:
        raise _Wrong(
            400,
            "InvalidParameterValue",
            "this host sends nothing to addresses that a request names; "
            "leave subscriber out and ask for the status of the job",
        )
    later = "respond-async" in prefer
    mode = RequestedProcessExecutionMode.respond_async if later else None
    known = [output.id for output in registry.find(name).outputs]
    try:
        asked = asked_for(request, known)
        job_id, _, made, status, headers = manager.execute_process(
            name, request.get("inputs", {}), execution_mode=mode
        )
    except ProcessorExecuteError as error:
        code = "InvalidParameterValue" if error.http_status_code < 500 else "NoApplicableCode"
        raise _Wrong(int(error.http_status_code), code, error.message) from error
    except InputError as error:
        raise _Wrong(400, "InvalidParameterValue", str(error)) from error
    manager.update_job(job_id, {"response": asked.response, "modes": dict(asked.modes)})
    place = f"{manager.url}/jobs/{job_id}"
    if status.value == "failed":
        raise _Wrong(400, "InvalidParameterValue", str(manager.get_job(job_id)["message"]))
    if later:
        begun = json.dumps(_status(manager.url, manager.get_job(job_id)), indent=2)
        answer = Response(begun, 201, mimetype="application/json")
        answer.headers.extend(headers or {})
    else:
        answer = _made(manager, asked, made, job_id)
    answer.headers["Location"] = place
    return answer


def _kept(job: Mapping[str, Any]) -> Asked:
    return Asked(job.get("response", "raw"), job.get("modes", {}))


def _results(manager: Manager, job_id: str) -> Response:
    job = _job(manager, job_id)
    if job["status"] in ("accepted", "running"):
        raise _Wrong(404, "ResultNotReady", "the job has not ended yet")
    if job["status"] != "successful":
        raise _Wrong(400, "InvalidParameterValue", str(job["message"]))
    made: Any = manager.get_job_result(job_id)[-1]
    return _made(manager, _kept(job), made, job_id)


def _made(
    manager: Manager, asked: Asked, made: Mapping[str, Mapping[str, str]], job_id: str
) -> Response:
    from flask import Response

    try:
        found = answered(asked, made, manager.results_of(job_id))
    except InputError as error:
        raise _Wrong(400, "InvalidParameterValue", str(error)) from error
    except OSError as error:
        raise _Wrong(404, "NoSuchJob", "the outputs of the job are gone") from error
    answer = Response(found.body, found.status)
    del answer.headers["Content-Type"]
    for name, text in found.headers:
        answer.headers.add(name, text)
    return answer
