"""The HTTP host, over HTTP, against the real server in a process of its own."""

from __future__ import annotations

import base64
import contextlib
import http.server
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import tifffile
from cli_runner import FERRY, geosite, geosite_process
from host_cases import POINTS, Host, start, stop

from geosite.processes.registry import processes

pytestmark = pytest.mark.slow

SITE = "[handover]\nplan = false\nviewer = false\ndxf = false\ngeojson = false\n"


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Host]:
    running = start(tmp_path_factory.mktemp("host") / "served", "--upload-limit", "1")
    try:
        running.send("points.csv", (FERRY / "truth.csv").read_bytes())
        yield running
    finally:
        said = stop(running)
    assert "Traceback" not in said


def test_every_process_is_listed_and_described(host: Host) -> None:
    listed = host.ask("GET", "/processes?f=json").json["processes"]
    known = processes().processes
    assert {one["id"] for one in listed} == set(known)
    described = host.ask("GET", "/processes/derive-slope?f=json").json
    assert described["inputs"]["method"]["schema"]["enum"] == ["horn", "zevenbergen-thorne"]
    assert described["jobControlOptions"] == ["sync-execute", "async-execute", "dismiss"]
    assert host.ask("GET", "/processes/derive-slop?f=json").status == 404
    assert host.ask("GET", "/openapi?f=json").json["paths"]["/processes/derive-slope/execution"]
    assert host.ask("GET", "/conformance?f=json").status == 200


@pytest.mark.parametrize(
    "path", ["/", "/processes", "/processes/derive-slope", "/openapi", "/jobs"]
)
def test_pages_that_would_run_scripts_from_elsewhere_are_not_served(host: Host, path: str) -> None:
    answer = host.ask("GET", path, headers={"Accept": "text/html,application/xhtml+xml"})
    assert answer.status == 200
    assert "json" in answer.headers["Content-Type"]
    assert answer.json
    assert answer.headers["Content-Security-Policy"] == "default-src 'none'; sandbox"
    assert host.ask("GET", f"{path}?f=html").status == 406
    assert host.ask("GET", "/static/css/default.css").status == 406


def test_who_has_no_token_gets_nothing(host: Host) -> None:
    def basic(password: str) -> str:
        return "Basic " + base64.b64encode(f"any:{password}".encode()).decode()

    for words in ("", "Bearer ", "Bearer x", basic("x"), "Digest a=b", "Bearer " + "é" * 8):
        for method, path in (("GET", "/jobs"), ("PUT", "/files/uploads/a.txt"), ("GET", "/x")):
            answer = host.ask(method, path, b"x", headers={"Authorization": words})
            assert answer.status == 401, (words, path)
            assert "token" in answer.json["description"]
    assert host.ask("GET", "/jobs", headers={"Authorization": basic(host.token)}).status == 200
    assert len(host.token) >= 32


def talk(host: Host, *parts: bytes) -> tuple[bytes, socket.socket]:
    """Send bytes as they are; return the first line of the answer."""
    connection = socket.create_connection(("127.0.0.1", int(host.url.rpartition(":")[2])), 30)
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):
        for part in parts:
            connection.sendall(part)
    return connection.makefile("rb").readline(), connection


def test_a_body_in_chunks_has_the_same_limit(host: Host) -> None:
    head = (
        f"POST /processes/derive-slope/execution HTTP/1.1\r\nHost: {host.url[7:]}\r\n"
        f"Authorization: Bearer {host.token}\r\nContent-Type: application/json\r\n"
        "Transfer-Encoding: chunked\r\n\r\n"
    ).encode()
    chunk = b"100000\r\n" + b" " * 0x100000 + b"\r\n"
    before = resident(host)
    answer, connection = talk(host, head, *[chunk] * 40, b"0\r\n\r\n")
    connection.close()
    assert b" 413 " in answer
    assert resident(host) - before < 50_000_000


def resident(host: Host) -> int:
    pages = Path(f"/proc/{host.process.pid}/statm").read_text().split()[1]
    return int(pages) * 4096


@pytest.mark.parametrize(
    "path",
    [
        "/%00", "/processes/%00", "/jobs/%00", "/jobs/%00/results", "/files/%00",
        "/files/uploads/a%00b", "/files/uploads/" + "a" * 300, "/files/" + "a/" * 3000,
        "/jobs/" + "a" * 5000, "/files/uploads/%ed%a0%80", "/processes/%ed%a0%80", "/files/..%2f",
        "/files/uploads/%1b%5b2J",
    ],
)  # fmt: skip
@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE"])
def test_odd_addresses_are_refused(host: Host, path: str, method: str) -> None:
    answer = host.ask(method, path, b"x" if method == "PUT" else None)
    assert 400 <= answer.status < 500, answer.body


@pytest.mark.parametrize("name", ["a" * 5000, "uploads/" + "a" * 300, "uploads/\ud800", "\ud800/x"])
def test_odd_names_of_inputs_are_refused(host: Host, name: str) -> None:
    body = json.dumps({"inputs": {"elevation": name}}).encode()
    headers = {"Content-Type": "application/json"}
    answer = host.ask("POST", "/processes/derive-slope/execution", body, headers)
    assert answer.status == 400, answer.body


def test_connections_that_say_nothing_are_few_and_end(tmp_path: Path) -> None:
    host = start(tmp_path / "served")
    address = ("127.0.0.1", int(host.url.rpartition(":")[2]))
    idle = [socket.create_connection(address, 10) for _ in range(300)]
    time.sleep(1.0)
    threads = int(Path(f"/proc/{host.process.pid}/stat").read_text().rpartition(")")[2].split()[17])
    assert threads < 80
    for connection in idle:
        connection.close()
    assert host.ask("GET", "/jobs").status == 200
    assert "Traceback" not in stop(host)


def test_a_run_answers_with_references_that_the_next_run_takes(host: Host, tmp_path: Path) -> None:
    first = host.refer("interpolate-elevation", POINTS, "elevation")
    assert first.status == 200, first.body
    elevation = first.json["elevation"]
    assert elevation["href"].startswith(f"{host.url}/files/jobs/")
    fetched = host.ask("GET", elevation["href"])
    assert fetched.headers["X-Content-Type-Options"] == "nosniff"
    (tmp_path / "e.tif").write_bytes(fetched.body)
    values = tifffile.imread(tmp_path / "e.tif", level=0)
    assert 400 < values[values != -9999].mean() < 404
    given = {"elevation": elevation, "unit": "degree"}
    second = host.refer("derive-slope", given, "slope", "aspect")
    assert set(second.json) == {"slope", "aspect"}
    # only what was asked for
    third = host.refer("derive-slope", {"elevation": elevation["href"]}, "aspect")
    assert set(third.json) == {"aspect"}
    wrong = host.run("derive-slope", {"elevation": elevation["href"]}, outputs={"slop": {}})
    assert (wrong.status, "slope, aspect" in wrong.json["description"]) == (400, True)


def test_a_job_in_the_background(host: Host) -> None:
    begun = host.refer("interpolate-elevation", POINTS, "elevation", later=True)
    assert begun.status == 201
    assert begun.json["status"] == "accepted"
    location = begun.headers["Location"]
    assert location.endswith(begun.json["jobID"])
    job = host.wait(location)
    assert (job["status"], job["progress"]) == ("successful", 100)
    results = host.ask("GET", f"{location}/results?f=json").json
    path = host.folder / "jobs" / begun.json["jobID"] / "results/elevation.tif"
    assert path.is_file()
    assert host.ask("GET", results["elevation"]["href"]).body == path.read_bytes()
    assert host.ask("DELETE", location).status == 200
    assert host.ask("GET", location).status == 404
    assert not path.parent.parent.exists()
    assert host.ask("GET", results["elevation"]["href"]).status == 404


def test_a_whole_site_is_built(host: Host) -> None:
    assert geosite("new", host.folder.parent / "yard").status == 0
    for name in ("site.toml", "field_book.csv"):
        host.send(f"yard/{name}", (host.folder.parent / "yard" / name).read_bytes())
    built = host.refer("build-site", {"site": "uploads/yard/site.toml"}, "report")
    assert built.status == 200, built.body
    report = host.ask("GET", built.json["report"]["href"]).json
    assert report["site"]["title"] == "Ferry landing (invented example)"


def test_a_survey_that_is_refused_says_why(host: Host) -> None:
    assert geosite("new", host.folder.parent / "loose").status == 0
    site = (host.folder.parent / "loose/site.toml").read_text()
    host.send("loose/site.toml", site.replace("limit = 300 ", "limit = 90000 ").encode())
    host.send("loose/field_book.csv", (host.folder.parent / "loose/field_book.csv").read_bytes())
    begun = host.run("check-survey", {"site": "uploads/loose/site.toml"}, later=True)
    job = host.wait(begun.headers["Location"])
    assert job["status"] == "failed"
    assert "uploads/loose/field_book.csv:" in job["message"]
    assert str(host.folder) not in json.dumps(job)
    answer = host.run("check-survey", {"site": "uploads/loose/site.toml"})
    assert answer.status == 400
    assert "1:90000" in answer.json["description"]


@pytest.mark.parametrize("later", [False, True])
def test_schemas_are_enforced_before_a_job_begins(host: Host, later: bool) -> None:
    before = len(host.jobs())
    wrong = POINTS | {"cell_size": -1, "method": "tim", "cellsize": 1, "extent": [0, 1]}
    answer = host.run("interpolate-elevation", wrong, later=later)
    assert answer.status == 400
    assert answer.json["description"].count("\n") == 3
    assert 'did you mean "tin"?' in answer.json["description"]
    assert len(host.jobs()) == before


@pytest.mark.parametrize(
    "body",
    [b"", b"{", b"[]", b'{"inputs": []}', b'{"inputs": {"cell_size": NaN}}', b"\xff", b"[" * 99999,
     b'{"inputs": {}, "inputs": {}}', b'{"input": {}}'],
)  # fmt: skip
def test_requests_that_are_none(host: Host, body: bytes) -> None:
    answer = host.ask("POST", "/processes/derive-slope/execution", body)
    assert answer.status == 400
    assert answer.json["description"]
    assert b"Traceback" not in answer.body


@pytest.mark.parametrize(
    "path",
    [
        "/etc/hostname",
        "../../outside.csv",
        "uploads/../../outside.csv",
        "jobs/../.host/jobs.json",
        ".host/jobs.json",
        "uploads/link.csv",
        "uploads/folder/outside.csv",
        "file:///etc/hostname",
        "http://127.0.0.1:1/a.csv",
        "/vsicurl/http://127.0.0.1:1/a.csv",
        "uploads/none.csv",
        "uploads",
        "",
        "a\0b",
        7,
    ],
)
def test_only_files_in_the_folder_are_read(host: Host, path: Any) -> None:
    outside = host.folder.parent / "outside.csv"
    outside.write_text("easting,northing,elevation\n1,2,3\n4,5,6\n7,9,9\n")
    for name, target in (("link.csv", outside), ("folder", outside.parent)):
        if not (host.folder / "uploads" / name).is_symlink():
            (host.folder / "uploads" / name).symlink_to(target)
    answer = host.run("interpolate-elevation", POINTS | {"points": path})
    assert answer.status == 400, answer.body
    assert str(host.folder) not in answer.body.decode()


@pytest.mark.parametrize("wrap", [lambda v: v, lambda v: {"value": v}])
def test_only_files_in_the_folder_are_read_from_a_list(host: Host, wrap: Any) -> None:
    for listed in (["uploads/points.csv", "/etc/hostname"], [{"href": "../x"}], "/etc/hostname"):
        answer = host.run("calibrate-device", {"sites": wrap(listed)})
        assert answer.status == 400, answer.body
        said = answer.json["description"]
        assert "upload the file first" in said or "no list" in said


def test_a_site_file_cannot_point_out_of_its_folder(host: Host) -> None:
    text = (FERRY / "site.toml").read_text()
    host.send("sly/site.toml", text.replace('"field_book.csv"', '"../../../outside.csv"').encode())
    answer = host.run("check-survey", {"site": "uploads/sly/site.toml"})
    assert answer.status == 400
    assert "leads out of the site file's folder" in answer.json["description"]


@pytest.mark.parametrize(
    "path",
    ["/files/.host/jobs.json", "/files/uploads/link.csv", "/files//etc/hostname",
     "/files/uploads/%2e%2e/%2e%2e/outside.csv", "/files/uploads", "/files/uploads/none.csv"],
)  # fmt: skip
def test_nothing_else_is_handed_out(host: Host, path: str) -> None:
    link = host.folder / "uploads/link.csv"
    if not link.is_symlink():
        link.symlink_to(host.folder.parent / "outside.csv")
    assert host.ask("GET", path).status in (404, 308)
    assert b"easting" not in host.ask("GET", path).body


@pytest.mark.parametrize(
    "name",
    ["../a.csv", ".hidden", "a/b/c/d/e.csv", "a%00b", "a;b", "%2e%2e/a.csv", "x/%2e%2e/%2e%2e/a",
     "points.csv/a", "yard", "", "x" * 200],
)  # fmt: skip
def test_uploads_go_nowhere_else(host: Host, name: str) -> None:
    (host.folder / "uploads/yard").mkdir(exist_ok=True)
    places = [host.folder.parent, host.folder, host.folder / "uploads"]
    before = [sorted(path.name for path in place.iterdir()) for place in places]
    answer = host.ask("PUT", f"/files/uploads/{name}", b"x")
    assert 400 <= answer.status < 500
    assert [sorted(path.name for path in place.iterdir()) for place in places] == before


def test_uploads_have_a_limit_and_can_be_removed(host: Host) -> None:
    head = (
        f"PUT /files/uploads/big.bin HTTP/1.1\r\nHost: {host.url[7:]}\r\n"
        f"Authorization: Bearer {host.token}\r\nContent-Length: 1000001\r\n\r\n"
    ).encode()
    answer, connection = talk(host, head)  # it does not wait for what it will not take
    connection.close()
    assert b" 413 " in answer
    assert not (host.folder / "uploads/big.bin").exists()
    host.send("small.bin", b"x" * 1000)
    assert host.ask("DELETE", "/files/uploads/small.bin").status == 204
    assert not (host.folder / "uploads/small.bin").exists()
    assert list((host.folder / ".host").glob("tmp*")) == []


@pytest.mark.parametrize(
    "headers",
    [{"Host": "elsewhere.invalid"}, {"Origin": "http://elsewhere.invalid"}, {"Origin": "null"}],
)
def test_other_sites_cannot_use_it_through_a_browser(host: Host, headers: dict[str, str]) -> None:
    assert host.ask("GET", "/processes?f=json", headers=headers).status == 403
    body = {"inputs": POINTS}
    path = "/processes/interpolate-elevation/execution"
    assert host.ask("POST", path, body, headers | {"Content-Type": "text/plain"}).status == 403
    assert host.ask("PUT", "/files/uploads/x.csv", b"x", headers).status == 403


def test_nothing_is_sent_to_addresses_that_a_request_names(host: Host) -> None:
    called = []

    class Ear(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            called.append(self.path)
            self.send_response(200)
            self.end_headers()

    with http.server.HTTPServer(("127.0.0.1", 0), Ear) as ear:
        thread = threading.Thread(target=ear.serve_forever)
        thread.start()
        address = f"http://127.0.0.1:{ear.server_address[1]}/"
        answer = host.run(
            "interpolate-elevation", POINTS,
            subscriber={"successUri": address, "inProgressUri": address, "failedUri": address},
        )  # fmt: skip
        assert answer.status == 400
        assert "leave subscriber out" in answer.json["detail"]
        ear.shutdown()
        thread.join()
    assert called == []


def test_a_job_that_is_dismissed_ends_and_leaves_nothing(host: Host) -> None:
    begun = host.run("interpolate-elevation", POINTS | {"cell_size": 0.01}, later=True)
    location = begun.headers["Location"]
    deadline = time.monotonic() + 30
    while host.ask("GET", f"{location}?f=json").json["status"] == "accepted":
        assert time.monotonic() < deadline
    assert host.ask("DELETE", location).status == 200
    assert host.ask("GET", location).status == 404
    time.sleep(0.3)
    assert not (host.folder / "jobs" / begun.json["jobID"]).exists()


def test_runs_that_take_too_long_are_ended(tmp_path: Path) -> None:
    host = start(tmp_path / "served", "--time-limit", "0.2")
    try:
        host.send("points.csv", (FERRY / "truth.csv").read_bytes())
        answer = host.run("interpolate-elevation", POINTS)
        assert answer.status == 400
        assert "took longer than 0.2 s" in answer.json["description"]
        assert list((host.folder / "jobs").iterdir()) == []
    finally:
        stop(host)


def test_runs_that_take_too_much_memory_are_ended(tmp_path: Path) -> None:
    host = start(tmp_path / "served", "--memory-limit", "1000")
    try:
        host.send("points.csv", (FERRY / "truth.csv").read_bytes())
        assert host.run("interpolate-elevation", POINTS).status == 200
        answer = host.run("interpolate-elevation", POINTS | {"cell_size": 0.006})
        assert answer.status == 400
        assert "memory" in answer.json["description"]
    finally:
        stop(host)


def test_jobs_outlive_the_host_and_none_runs_for_ever(tmp_path: Path) -> None:
    host = start(tmp_path / "served")
    host.send("points.csv", (FERRY / "truth.csv").read_bytes())
    done = host.run("interpolate-elevation", POINTS, later=True).headers["Location"]
    assert host.wait(done)["status"] == "successful"
    cut = host.run("interpolate-elevation", POINTS | {"cell_size": 0.01}, later=True)
    cut_off = cut.headers["Location"]
    while host.ask("GET", f"{cut_off}?f=json").json["status"] == "accepted":
        pass
    said = stop(host)
    assert host.process.returncode == 0
    assert "Traceback" not in said
    again = start(tmp_path / "served")
    try:
        jobs = {job["jobID"]: job for job in again.jobs()}
        assert jobs[done.rsplit("/", 1)[1]]["status"] == "successful"
        assert jobs[cut_off.rsplit("/", 1)[1]]["status"] == "failed"
    finally:
        stop(again, signal.SIGTERM)
    assert again.process.returncode == 143


def test_a_port_that_is_taken_and_a_host_that_is_not_installed(host: Host, tmp_path: Path) -> None:
    port = host.url.rsplit(":", 1)[1]
    ran = geosite_process("serve", "--folder", tmp_path / "x", "--port", port, env=dict(os.environ))
    assert (ran.status, ran.err.count("\n")) == (2, 1)
    assert f"the port {port} of this machine" in ran.err
    code = (
        "import sys; sys.modules['pygeoapi'] = None\n"
        "from geosite_cli.main import main\n"
        f"main(['serve', '--folder', {str(tmp_path / 'x')!r}])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "install geosite[host]" in done.stderr
    shutil.rmtree(tmp_path / "x", ignore_errors=True)
