"""The OpenAPI 3.0 document of the host: every path it answers, with the schemas of its inputs."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from geosite.base.version import __version__
from geosite.processes.model import Process

__all__ = ["openapi_document"]

_SCHEMAS: dict[str, Any] = {
    "exception": {
        "type": "object",
        "required": ["type"],
        "properties": {
            "type": {"type": "string"},
            "title": {"type": "string"},
            "status": {"type": "integer"},
            "detail": {"type": "string"},
        },
        "additionalProperties": True,
    },
    "link": {
        "type": "object",
        "required": ["href"],
        "properties": {
            name: {"type": "string"} for name in ("href", "rel", "type", "hreflang", "title")
        },
    },
    "value": {
        "type": "object",
        "required": ["value"],
        "properties": {
            "value": {},
            "encoding": {"type": "string"},
            "mediaType": {"type": "string"},
        },
    },
    "results": {
        "type": "object",
        "additionalProperties": {
            "oneOf": [
                {"$ref": "#/components/schemas/value"},
                {"$ref": "#/components/schemas/link"},
            ]
        },
    },
    "output": {
        "type": "object",
        "properties": {
            "transmissionMode": {
                "type": "string",
                "enum": ["value", "reference"],
                "default": "value",
            }
        },
    },
    "statusInfo": {
        "type": "object",
        "required": ["jobID", "status", "type"],
        "properties": {
            "processID": {"type": "string"},
            "type": {"type": "string", "enum": ["process"]},
            "jobID": {"type": "string"},
            "status": {
                "type": "string",
                "enum": ["accepted", "running", "successful", "failed", "dismissed"],
            },
            "message": {"type": "string"},
            **{
                name: {"type": "string", "format": "date-time"}
                for name in ("created", "started", "finished", "updated")
            },
            "progress": {"type": "integer", "minimum": 0, "maximum": 100},
            "links": {"type": "array", "items": {"$ref": "#/components/schemas/link"}},
        },
    },
    "any": {"type": "object"},
}


def openapi_document(url: str, processes: Mapping[str, Process]) -> dict[str, Any]:
    """Return the document.

    Parameters
    ----------
    url
        Of the host.
    processes
        By id.
    """
    paths: dict[str, Any] = {
        "/": _get("Landing page", "any"),
        "/conformance": _get("Classes of the standard that are kept", "any"),
        "/openapi": _get("This document", "any"),
        "/processes": _get("Processes", "any", _query("limit", {"type": "integer", "minimum": 1})),
        "/jobs": _get("Jobs", "any", *_job_filters()),
        "/jobs/{jobId}": {
            **_get("Status of a job", "statusInfo", _job_id()),
            "delete": {
                "operationId": "dismissJob",
                "summary": "End a job and remove its outputs",
                "parameters": [_job_id()],
                "responses": _responses("statusInfo"),
            },
        },
        "/jobs/{jobId}/results": _get("Results of a job", "results", _job_id()),
        "/files/{name}": {"get": _fetch()},
        "/files/uploads/{name}": {"put": _send(), "delete": _remove()},
    }
    for name, process in processes.items():
        paths[f"/processes/{name}"] = _get(f"Description: {process.title}", "any")
        paths[f"/processes/{name}/execution"] = {"post": _execution(name, process)}
    for path, methods in paths.items():
        for method, operation in methods.items():
            words = "".join(w.capitalize() for w in path.replace("{", "").split("/"))
            operation.setdefault("operationId", f"{method}{words.replace('}', '') or 'Landing'}")
    return {
        "openapi": "3.0.3",
        "info": {
            "title": "geosite",
            "description": "Processes after OGC API - Processes, Part 1 (OGC 18-062r2)",
            "version": __version__,
        },
        "servers": [{"url": url}],
        "security": [{"token": []}, {"password": []}],
        "paths": paths,
        "components": {
            "schemas": copy.deepcopy(_SCHEMAS),
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer"},
                "password": {"type": "http", "scheme": "basic"},
            },
        },
    }


def _json(schema: str) -> dict[str, Any]:
    return {"application/json": {"schema": {"$ref": f"#/components/schemas/{schema}"}}}


def _responses(schema: str) -> dict[str, Any]:
    return {
        "200": {"description": "It is here", "content": _json(schema)},
        "default": {"description": "What is wrong", "content": _json("exception")},
    }


def _get(summary: str, schema: str, *parameters: Mapping[str, Any]) -> dict[str, Any]:
    operation: dict[str, Any] = {"summary": summary, "responses": _responses(schema)}
    if parameters:
        operation["parameters"] = list(parameters)
    return {"get": operation}


def _query(name: str, schema: Mapping[str, Any]) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": False, "schema": dict(schema)}


def _job_filters() -> list[dict[str, Any]]:
    words = {"type": "array", "items": {"type": "string"}}
    numbers = {"type": "integer", "minimum": 0}
    return [
        _query("type", words),
        _query("processID", words),
        _query("status", words),
        _query("datetime", {"type": "string"}),
        _query("minDuration", numbers),
        _query("maxDuration", numbers),
        _query("limit", {"type": "integer", "minimum": 1}),
        _query("offset", numbers),
    ]


def _path(name: str) -> dict[str, Any]:
    return {"name": name, "in": "path", "required": True, "schema": {"type": "string"}}


def _job_id() -> dict[str, Any]:
    return _path("jobId")


def _fetch() -> dict[str, Any]:
    whole = {"schema": {"type": "string", "format": "binary"}}
    return {
        "summary": "Fetch an upload or an output",
        "parameters": [_path("name")],
        "responses": {
            "200": {"description": "The file", "content": {"application/octet-stream": whole}},
            "default": {"description": "What is wrong", "content": _json("exception")},
        },
    }


def _send() -> dict[str, Any]:
    whole = {"schema": {"type": "string", "format": "binary"}}
    return {
        "summary": "Send a file",
        "parameters": [_path("name")],
        "requestBody": {"required": True, "content": {"application/octet-stream": whole}},
        "responses": {
            "201": {"description": "It is there", "content": _json("link")},
            "default": {"description": "What is wrong", "content": _json("exception")},
        },
    }


def _remove() -> dict[str, Any]:
    return {
        "summary": "Remove a file that was sent",
        "parameters": [_path("name")],
        "responses": {
            "204": {"description": "It is gone"},
            "default": {"description": "What is wrong", "content": _json("exception")},
        },
    }


def _execution(name: str, process: Process) -> dict[str, Any]:
    inputs = {
        "type": "object",
        "required": [given.id for given in process.inputs if given.required],
        "properties": {given.id: _input(given.schema) for given in process.inputs},
        "additionalProperties": False,
    }
    if not inputs["required"]:
        del inputs["required"]  # OpenAPI 3.0 has no empty one
    request = {
        "type": "object",
        "required": ["inputs"],
        "properties": {
            "inputs": inputs,
            "outputs": {
                "type": "object",
                "properties": {
                    made.id: {"$ref": "#/components/schemas/output"} for made in process.outputs
                },
                "additionalProperties": False,
            },
            "response": {"type": "string", "enum": ["raw", "document"], "default": "raw"},
        },
    }
    prefer = {
        "name": "Prefer",
        "in": "header",
        "required": False,
        "schema": {"type": "string", "enum": ["respond-async"]},
    }
    return {
        "operationId": f"execute-{name}",
        "summary": process.title,
        "description": process.description,
        "parameters": [prefer],
        "requestBody": {"required": True, "content": {"application/json": {"schema": request}}},
        "responses": {
            "200": {
                "description": "A document; or, raw, the one value as it is, or several as parts",
                "content": {
                    **_json("results"),
                    "multipart/related": {"schema": {"type": "string", "format": "binary"}},
                    "*/*": {"schema": {"type": "string", "format": "binary"}},
                },
            },
            "default": _responses("results")["default"],
            "201": {"description": "The job has begun", "content": _json("statusInfo")},
            "204": {"description": "Raw results by reference, in the Link headers"},
        },
    }


def _input(schema: Mapping[str, Any]) -> dict[str, Any]:
    """Return the schema of an input; a file is a name, a link or a value of its own."""
    found = copy.deepcopy(dict(schema))
    if found.get("type") == "array" and found["items"].get("format") == "path":
        return {**found, "items": _input(found["items"])}
    if found.get("format") != "path":
        return found
    return {
        "oneOf": [
            {"type": "string"},
            {"$ref": "#/components/schemas/link"},
            {"$ref": "#/components/schemas/value"},
        ]
    }
