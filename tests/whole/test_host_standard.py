"""The host against OGC API - Processes, Part 1: Core (OGC 18-062r2).

Each check has the identifier of its requirement beside it, of the class "Core" (clause 7) if not
said otherwise. Looked up in the sources of the standard and in two other programs that list those
of the approved version: `landingpage`, `conformance`, `process`, `process-list`, `pl-limit`,
`process-execute-...` (called `job-creation-...` in drafts and still in the abstract tests),
`job-...`, `job-list` and `dismiss`. The printed standard itself could not be opened here: wording,
numbers of its sections, and the identifiers marked "from memory" are not verified. That without a
`transmissionMode` it is `value`, and without a `response` it is `raw`, is what two other servers
of the approved version do.
"""

from __future__ import annotations

import base64
import email
import email.policy
import re
import sys
from collections.abc import Iterator
from datetime import datetime
from email.message import EmailMessage
from typing import Any

import jsonschema
import pytest
from cli_runner import FERRY
from host_cases import POINTS, Host, start, stop

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="signals"),
]

ERRORS = "http://www.opengis.net/def/exceptions/ogcapi-processes-1/1.0"
CONF = "http://www.opengis.net/spec/ogcapi-processes-1/1.0/conf"

# 18-062r2, schema exception.yaml
EXCEPTION = {
    "type": "object",
    "required": ["type"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "instance": {"type": "string"},
    },
}
LINKS = {
    "type": "array",
    "items": {
        "type": "object",
        "required": ["href"],
        "properties": {
            name: {"type": "string"} for name in ("href", "rel", "type", "hreflang", "title")
        },
    },
}
# 18-062r2, schema statusInfo.yaml
STATUS = {
    "type": "object",
    "required": ["jobID", "status", "type"],
    "properties": {
        "processID": {"type": "string"},
        "type": {"enum": ["process"]},
        "jobID": {"type": "string"},
        "status": {"enum": ["accepted", "running", "successful", "failed", "dismissed"]},
        "message": {"type": "string"},
        **{
            name: {"type": "string", "format": "date-time"}
            for name in ("created", "started", "finished", "updated")
        },
        "progress": {"type": "integer", "minimum": 0, "maximum": 100},
        "links": LINKS,
    },
}
# 18-062r2, schema processSummary.yaml
SUMMARY = {
    "type": "object",
    "required": ["id", "version"],
    "properties": {
        "id": {"type": "string"},
        "version": {"type": "string"},
        "jobControlOptions": {
            "type": "array",
            "items": {"enum": ["sync-execute", "async-execute", "dismiss"]},
        },
        "outputTransmission": {"type": "array", "items": {"enum": ["value", "reference"]}},
        "links": LINKS,
    },
}


def fits(value: Any, schema: Any) -> None:
    jsonschema.Draft202012Validator(schema).validate(value)


def fails(answer: Any, status: int, kind: str) -> str:
    """Check an error against the schema; return what it says."""
    assert answer.status == status, answer.body
    fits(answer.json, EXCEPTION)
    assert answer.json["type"] == f"{ERRORS}/{kind}"
    assert answer.json["status"] == status
    return str(answer.json["detail"])


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Host]:
    running = start(tmp_path_factory.mktemp("standard") / "served")
    try:
        running.send("points.csv", (FERRY / "truth.csv").read_bytes())
        yield running
    finally:
        said = stop(running)
    assert "Traceback" not in said


@pytest.fixture(scope="module")
def elevation(host: Host) -> dict[str, str]:
    answer = host.refer("interpolate-elevation", POINTS, "elevation")
    assert answer.status == 200, answer.body
    return dict(answer.json["elevation"])


def test_landing_page(host: Host) -> None:
    answer = host.ask("GET", "/")
    assert answer.status == 200  # /req/core/landingpage-success A
    relations = {link["rel"]: link["href"] for link in answer.json["links"]}
    # /req/core/landingpage-success B
    for rel in ("service-desc", *(f"http://www.opengis.net/def/rel/ogc/1.0/{r}" for r in (
        "conformance", "processes", "job-list"))):  # fmt: skip
        assert host.ask("GET", relations[rel]).status == 200


def test_conformance_names_what_is_kept(host: Host) -> None:
    answer = host.ask("GET", "/conformance")  # /req/core/conformance-op
    # /req/core/conformance-success; callback is not among them
    assert set(answer.json["conformsTo"]) == {
        f"{CONF}/{name}"
        for name in ("core", "ogc-process-description", "json", "oas30", "job-list", "dismiss")
    }


def test_the_interface_is_described(host: Host) -> None:
    answer = host.ask("GET", "/openapi")
    assert answer.status == 200  # /req/core/api-definition-success
    assert answer.headers["Content-Type"].startswith("application/vnd.oai.openapi+json")
    # what it says is held to the rules of OpenAPI in tests/processes/hosts
    assert "/processes/derive-slope/execution" in answer.json["paths"]


def test_list_of_processes(host: Host) -> None:
    answer = host.ask("GET", "/processes")  # /req/core/process-list
    for one in answer.json["processes"]:
        fits(one, SUMMARY)  # /req/core/process-list-success
        assert one["outputTransmission"] == ["value", "reference"]
        assert "dismiss" in one["jobControlOptions"]
    assert len(host.ask("GET", "/processes?limit=2").json["processes"]) == 2  # /req/core/pl-limit-*
    fails(host.ask("GET", "/processes?limit=x"), 400, "invalid-parameter-value")


def test_description(host: Host) -> None:
    answer = host.ask("GET", "/processes/derive-slope")  # /req/core/process
    fits(answer.json, SUMMARY)  # /req/ogc-process-description/json-encoding
    for part in ("inputs", "outputs"):
        assert all("schema" in one for one in answer.json[part].values())
    # /req/core/process-exception/no-such-process
    fails(host.ask("GET", "/processes/nothing"), 404, "no-such-process")
    fails(host.run("nothing", {}), 404, "no-such-process")


def test_what_is_not_said_is_by_value_and_raw(host: Host, elevation: dict[str, str]) -> None:
    """An output that is named alone, and none named at all (process-execute-default-outputs)."""
    whole = host.ask("GET", elevation["href"]).body
    for more in ({}, {"outputs": {"elevation": {}}}, {"outputs": ["elevation"]}):
        answer = host.run("interpolate-elevation", POINTS, **more)
        assert (answer.status, answer.headers["Content-Type"]) == (200, elevation["type"])
        assert answer.body == whole
    assert set(_parts(host.run("derive-slope", {"elevation": elevation}))) == {
        "<slope>",
        "<aspect>",
    }
    answer = host.run("derive-slope", {"elevation": elevation}, response="document")
    assert all(base64.b64decode(one["value"]) for one in answer.json.values())
    later = host.run("interpolate-elevation", POINTS, later=True).headers["Location"]
    assert host.wait(later)["status"] == "successful"
    assert host.ask("GET", f"{later}/results").body == whole


def test_one_value_comes_as_it_is(host: Host, elevation: dict[str, str]) -> None:
    whole = host.ask("GET", elevation["href"]).body
    # /req/core/process-execute-sync-raw-value-one
    answer = host.run(
        "interpolate-elevation", POINTS, outputs={"elevation": {"transmissionMode": "value"}}
    )
    assert answer.status == 200
    assert answer.headers["Content-Type"] == elevation["type"]
    assert answer.body == whole


def test_several_values_come_in_parts(host: Host, elevation: dict[str, str]) -> None:
    modes = {"slope": {"transmissionMode": "value"}, "aspect": {"transmissionMode": "value"}}
    answer = host.run("derive-slope", {"elevation": elevation}, outputs=modes, response="raw")
    parts = _parts(answer)  # /req/core/process-execute-sync-raw-value-multi
    assert set(parts) == {"<slope>", "<aspect>"}
    assert all(part.get_content()[:2] in (b"II", b"MM") for part in parts.values())
    modes["slope"] = {"transmissionMode": "reference"}
    answer = host.run("derive-slope", {"elevation": elevation}, outputs=modes, response="raw")
    parts = _parts(answer)  # /req/core/process-execute-sync-raw-mixed-multi
    place = str(parts["<slope>"]["Content-Location"])
    assert host.ask("GET", place).body[:2] in (b"II", b"MM")


def _parts(answer: Any) -> dict[str, EmailMessage]:
    kind = answer.headers["Content-Type"]
    assert kind.startswith("multipart/related")
    whole = email.message_from_bytes(
        b"Content-Type: " + kind.encode() + b"\r\n\r\n" + answer.body, policy=email.policy.HTTP
    )
    return {str(part["Content-ID"]): part for part in whole.iter_parts()}  # type: ignore[attr-defined]


def test_raw_references_come_as_links(host: Host, elevation: dict[str, str]) -> None:
    modes = {"slope": {"transmissionMode": "reference"}}
    answer = host.run("derive-slope", {"elevation": elevation}, outputs=modes, response="raw")
    assert (answer.status, answer.body) == (204, b"")  # /req/core/process-execute-sync-raw-ref A
    place = re.search(r"<([^>]+)>", answer.headers["Link"])  # B
    assert place is not None
    assert host.ask("GET", place.group(1)).status == 200


def test_a_document_has_the_outputs_as_its_keys(host: Host, elevation: dict[str, str]) -> None:
    modes = {"slope": {"transmissionMode": "value"}, "aspect": {"transmissionMode": "reference"}}
    answer = host.run("derive-slope", {"elevation": elevation}, outputs=modes, response="document")
    # /req/core/process-execute-sync-document, schema results.yaml
    assert answer.headers["Content-Type"] == "application/json"
    slope, aspect = answer.json["slope"], answer.json["aspect"]
    assert set(slope) == {"value", "encoding", "mediaType"}
    assert base64.b64decode(slope["value"])[:2] in (b"II", b"MM")
    assert set(aspect) == {"href", "type"}
    # /req/core/process-execute-default-outputs: all of them
    answer = host.run("derive-slope", {"elevation": elevation}, response="document")
    assert set(answer.json) == {"slope", "aspect"}


@pytest.mark.parametrize(
    "more",
    [
        {"outputs": {"slope": {"transmissionMode": "post"}}},
        {"outputs": {"slop": {}}},
        {"outputs": 7},
        {"outputs": {"slope": 1}},
        {"response": "html"},
        {"subscriber": {"successUri": "http://127.0.0.1:1/"}},
    ],
)
def test_what_cannot_be_kept_is_refused(
    more: dict[str, Any], host: Host, elevation: dict[str, str]
) -> None:
    answer = host.run("derive-slope", {"elevation": elevation}, **more)
    fails(answer, 400, "invalid-parameter-value")


def test_inputs_within_the_request(host: Host) -> None:
    data = (FERRY / "truth.csv").read_bytes()
    coded = base64.b64encode(data).decode()
    # /req/core/process-execute-input-inline-binary
    binary = {"value": coded, "encoding": "base64", "mediaType": "text/csv"}
    # /req/core/process-execute-input-mixed-type: text of another kind than JSON
    text = {"value": data.decode(), "mediaType": "text/csv; charset=utf-8"}
    features = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"elevation": float(i)},
                "geometry": {"type": "Point", "coordinates": [512300 + i, 5276100 + i * i]},
            }
            for i in range(4)
        ],
        "crs": {"type": "name", "properties": {"name": "EPSG:25832"}},
    }
    # /req/core/process-execute-input-inline-object
    inline = {"value": features, "mediaType": "application/geo+json"}
    for given in (binary, text, inline):
        answer = host.run("interpolate-elevation", POINTS | {"points": given})
        assert answer.status == 200, answer.body
    assert not list((host.folder / ".host/inline").glob("*"))  # nothing of it is left
    for given in (
        {**binary, "value": "§§"},
        {**binary, "mediaType": "image/png"},
        {**binary, "encoding": "rot13"},
    ):
        answer = host.run("interpolate-elevation", POINTS | {"points": given})
        fails(answer, 400, "invalid-parameter-value")
    damaged = {**binary, "value": base64.b64encode(b"easting\n1\n").decode()}
    answer = host.run("interpolate-elevation", POINTS | {"points": damaged})
    assert ".host" not in fails(answer, 400, "invalid-parameter-value")
    assert not list((host.folder / ".host/inline").glob("*"))


def test_every_wrong_file_of_a_request_is_told(host: Host) -> None:
    listed = ["../a.toml", {"value": "§§", "encoding": "base64", "mediaType": "text/csv"}, 3]
    told = fails(host.run("calibrate-device", {"sites": listed}), 400, "invalid-parameter-value")
    assert 'sites[0] is "../a.toml"' in told
    assert "the value of sites[1] is not base64" in told
    assert "sites[2] is no text" in told
    pair = {"site": "../a.toml", "design": "../b.csv"}
    told = fails(host.run("set-out", pair), 400, "invalid-parameter-value")
    assert 'site is "../a.toml"' in told
    assert 'design is "../b.csv"' in told


def test_references_under_both_names_of_this_machine(host: Host, elevation: dict[str, str]) -> None:
    other = elevation["href"].replace("127.0.0.1", "localhost")
    # by reference: schema inlineOrRefData.yaml; the identifier, from memory, is
    # /req/core/process-execute-inputs
    assert host.run("derive-slope", {"elevation": {"href": other}}).status == 200


def test_a_job_and_its_results(host: Host, elevation: dict[str, str]) -> None:
    modes = {"slope": {"transmissionMode": "value"}}
    begun = host.run("derive-slope", {"elevation": elevation}, outputs=modes, later=True)
    assert begun.status == 201  # /req/core/process-execute-success-async
    fits(begun.json, STATUS)
    assert begun.headers["Location"].endswith(begun.json["jobID"])
    assert begun.headers["Preference-Applied"] == "respond-async"
    job = host.wait(begun.headers["Location"])  # /req/core/job
    fits(job, STATUS)  # /req/core/job-success
    assert datetime.fromisoformat(job["finished"]) >= datetime.fromisoformat(job["started"])
    results = host.ask("GET", f"{begun.headers['Location']}/results")  # /req/core/job-results
    assert results.headers["Content-Type"].startswith("image/tiff")  # as it was asked for
    fails(host.ask("GET", "/jobs/none"), 404, "no-such-job")  # /req/core/job-exception-no-such-job
    # /req/core/job-results-exception/no-such-job
    fails(host.ask("GET", "/jobs/none/results"), 404, "no-such-job")


def test_results_that_are_not_ready_and_a_job_that_is_dismissed(host: Host) -> None:
    begun = host.run("interpolate-elevation", POINTS | {"cell_size": 0.01}, later=True)
    place = begun.headers["Location"]
    # /req/core/job-results-exception/results-not-ready
    fails(host.ask("GET", f"{place}/results"), 404, "result-not-ready")
    gone = host.ask("DELETE", place)  # /req/dismiss/job-dismiss-op
    assert gone.status == 200  # /req/dismiss/job-dismiss-success
    fits(gone.json, STATUS)
    assert gone.json["status"] == "dismissed"
    fails(host.ask("DELETE", place), 404, "no-such-job")


def test_a_job_that_failed_says_why(host: Host) -> None:
    points = host.send("no.csv", b"easting,northing,elevation\n1,2,x\n")
    begun = host.run("interpolate-elevation", POINTS | {"points": points}, later=True)
    job = host.wait(begun.headers["Location"])
    assert job["status"] == "failed"
    answer = host.ask("GET", f"{begun.headers['Location']}/results")
    # /req/core/job-results-failed
    assert "elevation is" in fails(answer, 400, "invalid-parameter-value")


def test_list_of_jobs(host: Host, elevation: dict[str, str]) -> None:
    host.run("derive-slope", {"elevation": elevation})
    points = host.send("no.csv", b"easting,northing,elevation\n1,2,x\n")
    assert host.run("interpolate-elevation", POINTS | {"points": points}).status == 400

    def listed(query: str) -> list[Any]:
        answer = host.ask("GET", f"/jobs?{query}")
        assert answer.status == 200, answer.body
        for one in answer.json["jobs"]:
            fits(one, STATUS)  # /req/job-list/job-list-success
        return list(answer.json["jobs"])

    every = listed("")
    for state in ("successful", "failed"):  # /req/job-list/status-*, from memory
        found = listed(f"status={state}")
        assert found == [one for one in every if one["status"] == state]
        assert found
    assert len(listed("status=successful,failed")) == len(every)
    assert listed("status=running") == []
    slopes = listed("processID=derive-slope")  # /req/job-list/processID-definition, -mandatory
    assert {one["processID"] for one in slopes} == {"derive-slope"}
    assert listed("type=process") == every  # /req/job-list/type-definition, -response
    assert listed("type=wps") == []
    middle = every[1]["created"]  # /req/job-list/datetime-*, from memory
    assert listed(f"datetime={middle}") == [every[1]]
    assert listed(f"datetime={middle}/..") == every[:2]
    assert listed(f"datetime=../{middle}") == every[1:]
    # /req/job-list/duration-*, from memory
    assert listed("minDuration=3600") == []
    assert listed("maxDuration=3600") == every
    page = host.ask("GET", "/jobs?limit=1&type=process").json  # /req/job-list/limit-*, from memory
    assert page["jobs"] == every[:1]
    following = next(one["href"] for one in page["links"] if one["rel"] == "next")
    assert host.ask("GET", following).json["jobs"] == every[1:2]
    for wrong in ("status=done", "limit=0", "limit=x", "datetime=x", "minDuration=-1"):
        fails(host.ask("GET", f"/jobs?{wrong}"), 400, "invalid-parameter-value")
