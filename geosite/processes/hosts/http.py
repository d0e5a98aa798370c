"""The HTTP host: every process over OGC API - Processes, served by pygeoapi on this machine.

pygeoapi does the protocol. Here is what it leaves open: inputs are checked against their schemas
before a job begins; files come from and go to one folder; every run is a process of its own that
is ended when it takes too long; nothing is sent to addresses a request names; a web page somewhere
else cannot use the host through the browser of whoever started it.

    FOLDER/uploads/...     what was sent with PUT /files/uploads/NAME
    FOLDER/jobs/ID/...     outputs, at /files/jobs/ID/results/NAME until DELETE /jobs/ID
    FOLDER/.host/          the list of jobs
"""

from __future__ import annotations

import contextlib
import hmac
import json
import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Callable, Container, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any
from urllib.parse import quote

from geosite.base.errors import InputError, OutputRefused, Problem
from geosite.processes import registry
from geosite.processes.hosts.job_list import only_host
from geosite.processes.hosts.jobs import Limits, Manager, folder_size
from geosite.processes.hosts.ogc_api import add_standard, problem
from geosite.processes.hosts.openapi import openapi_document
from geosite.processes.inputs import from_request

__all__ = ["made_ready", "serve", "served"]

_SEGMENT = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._ -]{0,99}", re.ASCII)
_DEEPEST = 4
_LARGEST_REQUEST = 10_000_000  # bytes
_IN_OUR_WORDS = {
    404: "there is nothing at this address; /openapi tells what there is",
    405: "this method does nothing at this address; /openapi tells what does",
}


def _configuration(folder: Path, url: str, limits: Limits) -> dict[str, Any]:
    """Return pygeoapi's configuration."""
    about = {
        "title": "geosite",
        "description": "Hand-walked site surveys to GIS layers, with their accuracy stated",
    }
    usable = registry.processes().processes
    return {
        "server": {
            "bind": {"host": "127.0.0.1", "port": int(url.rpartition(":")[2])},
            "url": url,
            "mimetype": "application/json; charset=UTF-8",
            "encoding": "utf-8",
            "languages": ["en-US"],
            "pretty_print": True,
            # otherwise only the first ten processes are listed
            "limits": {"default_items": 1000, "max_items": 10000},
            "map": {"url": "", "attribution": ""},
            "manager": {
                "name": "geosite.processes.hosts.jobs.Manager",
                "connection": str(folder / ".host" / "jobs.sqlite"),
                "output_dir": str(folder / ".host"),
                "folder": str(folder),
                "url": url,
                "limits": asdict(limits),
            },
        },
        "logging": {"level": "CRITICAL"},
        "metadata": {
            "identification": {
                **about,
                "keywords": ["survey", "terrain", "drainage"],
                "terms_of_service": "none",
                "url": url,
            },
            "license": {"name": "as the data", "url": url},
            "provider": {"name": "whoever started it", "url": url},
            "contact": {"name": "whoever started it"},
        },
        "resources": {
            name: {
                "type": "process",
                "processor": {"name": "geosite.processes.hosts.jobs.Processor", "process": name},
            }
            for name in usable
        },
    }


def serve(
    folder: Path,
    port: int = 5000,
    *,
    limits: Limits | None = None,
    ready: Callable[[str, str], None] = lambda url, token: None,
) -> None:
    """Serve every process on this machine until interrupted.

    Parameters
    ----------
    folder
        Where uploads and outputs are kept; made if it is not there.
    port
        On the loopback address; 0 takes a free one.
    limits
        What the host allows.
    ready
        Called with the address and the token once requests are answered. Every request has to
        bring the token, as ``Authorization: Bearer TOKEN`` or as the password of HTTP Basic.

    Raises
    ------
    InputError
        The port is taken, or another host serves the folder.
    """
    import socket

    limits = limits or Limits()
    folder = made_ready(folder)
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
    except OSError as error:
        listener.close()
        raise InputError(
            Problem(
                "port-taken",
                f"the port {port} of this machine cannot be used ({error.strerror})",
                "a free port",
                "choose another with --port, or 0 for any",
            )
        ) from error
    listener.listen(64)
    port = listener.getsockname()[1]
    url = f"http://127.0.0.1:{port}"
    token = secrets.token_urlsafe(24)
    with (
        listener,
        only_host(folder / ".host"),
        served(folder, url, token, limits) as (application, manager),
    ):
        from waitress.server import create_server

        server = create_server(
            application,
            sockets=[listener],
            # one thread for every run that may wait, and some to answer meanwhile
            threads=limits.at_once + limits.waiting + 8,
            connection_limit=limits.connections,
            channel_timeout=limits.idle_seconds,
            cleanup_interval=max(1, limits.idle_seconds // 2),
            max_request_body_size=limits.upload_bytes,
            clear_untrusted_proxy_headers=True,
            ident=None,
        )
        ready(url, token)
        try:
            server.run()  # returns on an interrupt
        finally:
            manager.end_all()
            server.close()


def made_ready(folder: Path) -> Path:
    """Return the folder of a host, with the folders in it that it needs."""
    folder = folder.resolve()
    try:
        for name in ("uploads", "jobs", ".host"):
            (folder / name).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputRefused(
            Problem(
                "folder-unwritable",
                f"the folder cannot be made or written ({error.strerror})",
                "a folder, or the name of a new one",
                "choose another with --folder",
                str(folder),
            )
        ) from error
    return folder


@contextlib.contextmanager
def served(folder: Path, url: str, token: str, limits: Limits) -> Iterator[tuple[Any, Manager]]:
    """Make the application (WSGI) and its jobs, once in a process: pygeoapi has one only.

    Parameters
    ----------
    folder
        From `made_ready`.
    url, token
        What requests have to come to and to bring.
    limits
        What the host allows.
    """
    configuration = _configuration(folder, url, limits)
    with tempfile.TemporaryDirectory(prefix="geosite-host-") as place:
        path = Path(place) / "configuration.yml"
        path.write_text(json.dumps(configuration), encoding="utf-8")  # JSON is YAML
        os.environ["PYGEOAPI_CONFIG"] = str(path)
        os.environ["PYGEOAPI_OPENAPI"] = str(Path(place) / "openapi.json")
        document = openapi_document(url, registry.processes().processes)
        (Path(place) / "openapi.json").write_text(json.dumps(document), encoding="utf-8")
        from pygeoapi import flask_app

        manager: Manager = flask_app.api_.manager
        manager.clear_up()
        for left in (folder / ".host").glob("tmp*"):  # uploads that a kill cut off
            left.unlink(missing_ok=True)
        standard = add_standard(flask_app.APP, manager, document)
        _guard(flask_app.APP, url, token, limits, standard)
        _add_files(flask_app.APP, folder, url, limits)
        yield flask_app.APP, manager


def _guard(
    application: Any, url: str, token: str, limits: Limits, standard: Container[str]
) -> None:
    """Turn away what did not come from the user who started it, and requests that are none."""
    from flask import Response, request
    from werkzeug.exceptions import HTTPException, RequestEntityTooLarge

    application.config["MAX_CONTENT_LENGTH"] = limits.upload_bytes
    own = (
        url.removeprefix("http://"),
        url.removeprefix("http://").replace("127.0.0.1", "localhost"),
    )

    def answer(status: int, text: str) -> Response:
        code = "InvalidParameterValue" if status == 400 else "NoApplicableCode"
        body = json.dumps(problem(status, code, text))
        return Response(body, status, mimetype="application/json")

    @application.before_request  # type: ignore[untyped-decorator]
    def look() -> Response | None:
        # a name that somebody else made point here, or a page somewhere else
        if request.host not in own:
            return answer(403, "this host answers on its own address only")
        origin = request.headers.get("Origin")
        if origin is not None and origin.removeprefix("http://") not in own:
            return answer(403, "requests from other sites are not answered")
        if not _brings(request.authorization, token):
            refused = answer(401, "send the token that was printed when the host was started")
            refused.headers["WWW-Authenticate"] = 'Basic realm="geosite", charset="UTF-8"'
            return refused
        if "\0" in request.path:
            return answer(400, "there is a NUL in the address")
        if (request.endpoint or "").startswith("pygeoapi.") and request.endpoint not in standard:
            return answer(404, _IN_OUR_WORDS[404])
        if not request.path.startswith("/files/"):
            # pygeoapi's pages would run scripts from public networks in the reader's browser
            if request.path.startswith("/static") or request.args.get("f", "json") != "json":
                return answer(406, "this host answers in JSON only")
            request.environ["HTTP_ACCEPT"] = "application/json"
        if request.method == "POST":
            if (request.content_length or 0) > _LARGEST_REQUEST:
                return answer(413, "a request of more than 10 MB; upload files with PUT")
            try:
                from_request(request.get_data(), "request")
            except InputError as error:
                return answer(400, str(error))
        return None

    @application.after_request  # type: ignore[untyped-decorator]
    def nothing_else(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = "default-src 'none'; sandbox"
        response.headers["X-Content-Type-Options"] = "nosniff"
        return response

    @application.errorhandler(Exception)  # type: ignore[untyped-decorator]
    def failed(error: Exception) -> Response:
        if isinstance(error, RequestEntityTooLarge):
            most = f"{limits.upload_bytes / 1e6:g} MB"
            return answer(413, f"this is more than {most}, the most that this host takes at once")
        if isinstance(error, HTTPException):
            code, words = error.code or 500, error.description or error.name
            if words == type(error).description:
                words = _IN_OUR_WORDS.get(code, words)
            return answer(code, words)
        return answer(500, f"a bug in the host ({type(error).__name__})")


def _brings(given: Any, token: str) -> bool:
    """Report whether a request's ``Authorization`` holds the token."""
    if given is None:
        return False
    words = given.token if given.type == "bearer" else given.password
    return hmac.compare_digest(str(words or "").encode("utf-8", "replace"), token.encode())


def _add_files(application: Any, folder: Path, url: str, limits: Limits) -> None:
    """Add sending and fetching of files to the application."""
    from flask import Response, abort, request, send_file
    from werkzeug.exceptions import HTTPException

    root = folder.resolve()

    def place(name: str) -> Path:
        parts = name.split("/")
        if len(parts) > _DEEPEST or not all(_SEGMENT.fullmatch(part) for part in parts):
            abort(
                400,
                "a file is called by at most 100 letters, digits, dots, dashes, blanks and"
                " underscores, the first no dot, dash or blank, within at most"
                f" {_DEEPEST - 1} folders of such names; rename it",
            )
        return root / "uploads" / name

    @application.get("/files/<path:name>")  # type: ignore[untyped-decorator]
    def fetch(name: str) -> Response:
        try:
            path = (root / name).resolve()
            shared = path.is_relative_to(root / "uploads") or path.is_relative_to(root / "jobs")
            known = shared and path.is_file() and not any(p[0] == "." for p in Path(name).parts)
        except (OSError, ValueError):  # a name too long, or no name
            known = False
        if not known:
            abort(404, "there is no such file")
        response: Response = send_file(path, as_attachment=True)
        return response

    @application.put("/files/uploads/<path:name>")  # type: ignore[untyped-decorator]
    def send(name: str) -> Response:
        target = place(name)
        if folder_size(root) + (request.content_length or 0) > limits.folder_bytes:
            full = HTTPException("the folder is full; delete jobs and uploads")
            full.code = 507  # which `abort` does not know
            raise full
        if target.is_dir():
            abort(409, "there is a folder of that name")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
        except OSError:
            abort(409, "there is a file where a folder is needed")
        handle, draft = tempfile.mkstemp(dir=root / ".host")
        try:
            with os.fdopen(handle, "wb") as stream:
                shutil.copyfileobj(request.stream, stream, 1 << 20)
            os.replace(draft, target)
        finally:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(draft)
        body = json.dumps({"href": f"{url}/files/uploads/{quote(name)}"})
        return Response(body, 201, mimetype="application/json")

    @application.delete("/files/uploads/<path:name>")  # type: ignore[untyped-decorator]
    def remove(name: str) -> Response:
        target = place(name)
        if not target.is_file():
            abort(404, "there is no such file")
        target.unlink()
        done = Response(status=204)
        del done.headers["Content-Type"]  # of nothing
        return done
