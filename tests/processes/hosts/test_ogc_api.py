"""What the standard asks of lists, statuses and errors, answered in this process without jobs."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import jsonschema
import pytest

flask = pytest.importorskip("flask")
base = pytest.importorskip("pygeoapi.process.base")

from geosite.processes.hosts.ogc_api import add_standard  # noqa: E402
from geosite.processes.hosts.openapi import openapi_document  # noqa: E402
from geosite.processes.registry import processes  # noqa: E402

URL = "http://host"
BEGUN = datetime(2026, 4, 12, 9, 30, tzinfo=UTC)
RELATION = "http://www.opengis.net/def/rel/ogc/1.0"


def job(number: int, status: str, seconds: float | None, **more: Any) -> dict[str, Any]:
    """One job a minute, so many seconds long."""
    created = BEGUN + timedelta(minutes=number)
    ended = None if seconds is None else (created + timedelta(seconds=seconds)).isoformat()
    return {
        "identifier": f"j{number}",
        "process_id": "derive-slope" if number % 2 else "set-out",
        "status": status,
        "created": created.isoformat(),
        "started": created.isoformat(),
        "finished": ended,
        "message": f"job {number}",
        **more,
    }


JOBS = [
    job(0, "successful", 10.0, progress=100),
    job(1, "failed", 20.0),
    job(2, "dismissed", 30.0),
    job(3, "successful", 40.0),
    job(4, "accepted", None),
]


class Jobs:
    """Keeps jobs as the host's manager does."""

    url = URL

    def __init__(self) -> None:
        self.processes = {"derive-slope": {}, "set-out": {}}
        self.jobs = {one["identifier"]: one for one in JOBS}

    def get_jobs(self) -> dict[str, Any]:
        return {"jobs": list(self.jobs.values())}

    def get_job(self, identifier: str) -> dict[str, Any]:
        if identifier not in self.jobs:
            raise base.JobNotFoundError
        return self.jobs[identifier]

    def delete_job(self, identifier: str) -> bool:
        return self.jobs.pop(identifier) is not None


@pytest.fixture(scope="module")
def client() -> Any:
    application = flask.Flask("host")
    places = {
        "landing_page": ("/", ["GET"]),
        "conformance": ("/conformance", ["GET"]),
        "openapi": ("/openapi", ["GET"]),
        "get_jobs": ("/jobs/<job_id>", ["GET", "DELETE"]),
        "get_processes": ("/processes/<process_id>", ["GET"]),
        "execute_process_jobs": ("/processes/<process_id>/execution", ["POST"]),
        "get_job_result": ("/jobs/<job_id>/results", ["GET"]),
    }
    for name, (place, methods) in places.items():
        application.add_url_rule(place, f"pygeoapi.{name}", methods=methods)
    application.add_url_rule("/jobs", "pygeoapi.get_jobs", methods=["GET"])
    application.add_url_rule("/processes", "pygeoapi.get_processes", methods=["GET"])
    add_standard(application, Jobs(), {"openapi": "3.0.2"})  # type: ignore[arg-type]
    return application.test_client()


def listed(client: Any, query: str) -> list[str]:
    answer = client.get(f"/jobs?{query}")
    assert answer.status_code == 200
    return [one["jobID"] for one in answer.json["jobs"]]


@pytest.mark.parametrize(
    ("query", "jobs"),
    [
        *(("", "j4 j3 j2 j1 j0"), ("limit=2", "j4 j3"), ("limit=2&offset=3", "j1 j0")),
        *(("offset=5", ""), ("limit=99999999999999999999", "j4 j3 j2 j1 j0")),
        *(("type=process&limit=1", "j4"), ("type=other", ""), ("type=other,process&limit=1", "j4")),
        *(("processID=set-out", "j4 j2 j0"), ("processID=set-out,derive-slope&limit=2", "j4 j3")),
        *(("processID=set-out&processID=derive-slope&limit=2", "j4 j3"), ("processID=other", "")),
        *(("status=successful", "j3 j0"), ("status=failed,dismissed", "j2 j1")),
        ("datetime=2026-04-12T09:31:00Z", "j1"),
        ("datetime=2026-04-12T09:31:00", "j1"),
        ("datetime=2026-04-12T11:31:00%2B02:00", "j1"),
        ("datetime=2026-04-12T11:31:00+02:00", "j1"),
        ("datetime=2026-04-12T09:31:00Z/..", "j4 j3 j2 j1"),
        ("datetime=../2026-04-12T09:31:00Z", "j1 j0"),
        ("datetime=/2026-04-12T09:31:00Z", "j1 j0"),
        ("datetime=2026-04-12T09:30:30Z/2026-04-12T09:32:30Z", "j2 j1"),
        # what waits has no duration
        *(("minDuration=20", "j3 j2 j1"), ("maxDuration=20", "j1 j0")),
        *(("minDuration=20&maxDuration=30", "j2 j1"), ("minDuration=0", "j3 j2 j1 j0")),
    ],
)  # fmt: skip
def test_jobs_are_listed_the_newest_first_and_as_asked_for(
    client: Any, query: str, jobs: str
) -> None:
    assert listed(client, query) == jobs.split()


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ("limit=0", "limit is no whole number of 1 and more"),
        ("limit=x", "limit is no whole number of 1 and more"),
        ("limit=²", "limit is no whole number of 1 and more"),
        ("offset=-1", "offset is no whole number of 0 and more"),
        ("status=done", "there is no status done, expected some of accepted, running"),
        ("datetime=yesterday", "datetime is no time and no interval of RFC 3339"),
        ("datetime=../../..", "datetime is no time and no interval of RFC 3339"),
        ("minDuration=1.5", "minDuration is no whole number of 0 and more"),
    ],
)
def test_a_list_that_cannot_be_is_refused(client: Any, query: str, told: str) -> None:
    answer = client.get(f"/jobs?{query}")
    assert answer.status_code == 400
    assert answer.json["status"] == 400
    assert answer.json["title"] == "InvalidParameterValue"
    assert answer.json["type"].endswith("/invalid-parameter-value")
    assert answer.json["detail"].startswith(told)


def test_a_list_leads_on_to_its_next_page(client: Any) -> None:
    seen, place, pages = [], "/jobs?limit=2&status=successful,failed,dismissed&offset=0", 0
    while place:
        answer = client.get(place).json
        seen += [one["jobID"] for one in answer["jobs"]]
        onward = [link["href"] for link in answer["links"] if link["rel"] == "next"]
        place = onward[0].removeprefix(URL) if onward else ""
        pages += 1
    assert (seen, pages) == (["j3", "j2", "j1", "j0"], 2)


def test_a_status_has_no_entry_without_a_value(client: Any) -> None:
    done = client.get("/jobs/j0").json
    assert (done["processID"], done["progress"], done["message"]) == ("set-out", 100, "job 0")
    assert {link["rel"] for link in done["links"]} == {"self", "up", f"{RELATION}/results"}
    waits = client.get("/jobs/j4").json
    assert set(waits) == {"processID", "type", "jobID", "status", "message", "created", "links"}
    assert {link["rel"] for link in waits["links"]} == {"self", "up"}


@pytest.mark.parametrize(
    ("method", "place", "status", "title"),
    [
        ("GET", "/jobs/none", 404, "NoSuchJob"),
        ("DELETE", "/jobs/none", 404, "NoSuchJob"),
        ("GET", "/jobs/none/results", 404, "NoSuchJob"),
        ("GET", "/jobs/j4/results", 404, "ResultNotReady"),
        ("GET", "/jobs/j1/results", 400, "InvalidParameterValue"),
        ("GET", "/processes/none", 404, "NoSuchProcess"),
        ("POST", "/processes/none/execution", 404, "NoSuchProcess"),
        ("POST", "/processes/set-out/execution", 400, "InvalidParameterValue"),
    ],
)
def test_errors_have_the_words_of_the_standard(
    client: Any, method: str, place: str, status: int, title: str
) -> None:
    answer = client.open(place, method=method)
    assert (answer.status_code, answer.json["title"]) == (status, title)
    assert answer.json["type"].startswith("http://www.opengis.net/def/exceptions/")


def test_a_host_sends_nothing_to_addresses_of_a_request(client: Any) -> None:
    request = {"inputs": {}, "subscriber": {"successUri": "http://elsewhere"}}
    answer = client.post("/processes/set-out/execution", json=request)
    assert (answer.status_code, "subscriber" in answer.json["detail"]) == (400, True)


def test_processes_are_listed_and_described_with_what_can_be_done(client: Any) -> None:
    found = client.get("/processes").json["processes"]
    # the registry knows more; only what the host has is shown
    assert sorted(one["id"] for one in found) == ["derive-slope", "set-out"]
    assert len(client.get("/processes?limit=1").json["processes"]) == 1
    one = client.get("/processes/derive-slope").json
    assert one["id"] == "derive-slope"
    assert {"inputs", "outputs"} <= set(one)
    (execution,) = [k["href"] for k in one["links"] if k["rel"] == f"{RELATION}/execute"]
    assert execution == f"{URL}/processes/derive-slope/execution"


def test_the_landing_page_leads_to_everything(client: Any) -> None:
    for link in client.get("/").json["links"]:
        assert client.get(link["href"].removeprefix(URL)).status_code == 200, link
    assert len(client.get("/conformance").json["conformsTo"]) == 6


def test_a_removed_job_is_told_as_dismissed(client: Any) -> None:
    application = flask.Flask("another")
    application.add_url_rule("/jobs/<job_id>", "pygeoapi.get_jobs", methods=["GET", "DELETE"])
    add_standard(application, Jobs(), {})  # type: ignore[arg-type]
    own = application.test_client()
    gone = own.delete("/jobs/j3").json
    assert (gone["status"], gone["message"]) == ("dismissed", "Job dismissed")
    assert f"{RELATION}/results" not in {link["rel"] for link in gone["links"]}
    assert own.get("/jobs/j3").status_code == 404


# --- the description of the interface --------------------------------------------------------


@pytest.fixture(scope="module")
def document() -> Any:
    return openapi_document(URL, processes().processes)


def test_the_interface_is_valid_openapi(document: Any) -> None:
    import pygeoapi

    rules = next(Path(pygeoapi.__file__).parent.rglob("openapi-3.0.x.json"))
    told = json.loads(json.dumps(document))
    jsonschema.Draft4Validator(json.loads(rules.read_text())).validate(told)  # /req/oas30
    names = [one["operationId"] for path in document["paths"].values() for one in path.values()]
    assert len(set(names)) == len(names)
    assert {"getLanding", "getJobs", "getJobsJobidResults", "execute-set-out"} <= set(names)
    for found in re.findall(r'"\$ref": "([^"]+)"', json.dumps(document)):
        assert found.startswith("#/components/schemas/")
        assert found.rpartition("/")[2] in document["components"]["schemas"]
    for path, methods in document["paths"].items():
        wanted = set(re.findall(r"{(\w+)}", path))
        for one in methods.values():
            given = {p["name"]: p for p in one.get("parameters", ()) if p["in"] == "path"}
            assert set(given) == wanted, path
            assert all(p["required"] for p in given.values())


def test_a_request_is_described_as_the_process_takes_it(document: Any) -> None:
    for name, process in processes().processes.items():
        post = document["paths"][f"/processes/{name}/execution"]["post"]
        assert post["requestBody"]["required"]
        request = post["requestBody"]["content"]["application/json"]["schema"]
        assert request["required"] == ["inputs"]
        inputs = request["properties"]["inputs"]
        assert list(inputs["properties"]) == [given.id for given in process.inputs]
        assert inputs.get("required", []) == [
            given.id for given in process.inputs if given.required
        ]
        assert inputs["additionalProperties"] is False
        outputs = request["properties"]["outputs"]
        assert (list(outputs["properties"]), outputs["additionalProperties"]) == (
            [made.id for made in process.outputs],
            False,
        )
        for given in process.inputs:
            told, schema = inputs["properties"][given.id], given.schema
            if schema.get("format") == "path":
                # a name, a link, or the file itself
                assert len(told["oneOf"]) == 3
            elif schema.get("type") == "array" and schema["items"].get("format") == "path":
                assert (told["type"], len(told["items"]["oneOf"])) == ("array", 3)
            else:
                assert told == schema
        assert set(post["responses"]) == {"200", "201", "204", "default"}


def test_filters_of_the_list_of_jobs_are_described(document: Any) -> None:
    told = {p["name"]: p for p in document["paths"]["/jobs"]["get"]["parameters"]}
    asked = ["type", "processID", "status", "datetime"]
    asked += ["minDuration", "maxDuration", "limit", "offset"]
    assert list(told) == asked
    assert {(p["in"], p["required"]) for p in told.values()} == {("query", False)}
    assert [told[n]["schema"].get("minimum") for n in asked[4:]] == [0, 0, 1, 0]
