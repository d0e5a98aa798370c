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
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from pygeoapi.process.base import BaseProcessor, ProcessorExecuteError
from pygeoapi.process.manager.tinydb_ import TinyDBManager

from geosite.base.errors import InputError, Problem
from geosite.processes import registry
from geosite.processes.description import describe
from geosite.processes.inputs import checked, from_request

__all__ = ["Limits", "Manager", "Processor", "serve"]

_SEGMENT = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._ -]{0,99}", re.ASCII)
_DEEPEST = 4
RESULTS = "results"
_LARGEST_REQUEST = 10_000_000  # bytes


@dataclass(frozen=True, slots=True)
class Limits:
    """What one host allows.

    Parameters
    ----------
    seconds
        Longest run.
    upload_bytes
        Largest file that is sent.
    folder_bytes
        Most that the folder holds before uploads and jobs are refused.
    file_bytes
        Largest file that a run writes.
    memory_bytes
        Address space of a run.
    at_once
        Runs at a time; the others wait.
    waiting
        Most runs that wait; more are refused.
    """

    seconds: float = 600.0
    upload_bytes: int = 500_000_000
    folder_bytes: int = 20_000_000_000
    file_bytes: int = 4_000_000_000
    memory_bytes: int = 8_000_000_000
    at_once: int = 2
    waiting: int = 50


class _Refused(ProcessorExecuteError):  # type: ignore[misc]
    """A request that is turned away before a job begins."""

    ogc_exception_code = "InvalidParameterValue"

    def __init__(self, text: str, status: HTTPStatus = HTTPStatus.BAD_REQUEST) -> None:
        super().__init__(user_msg=text)
        self.http_status_code = status


class Processor(BaseProcessor):  # type: ignore[misc]
    """One process as pygeoapi sees it."""

    def __init__(self, definition: dict[str, Any]) -> None:
        self.process = registry.find(definition["process"])
        super().__init__(definition, describe(self.process))
        self.supports_outputs = True
        self.manager: Manager | None = None
        self.job_id = ""

    def set_job_id(self, job_id: str) -> None:
        """Remember the job, whose outputs get a folder of that name."""
        self.job_id = job_id

    def execute(
        self, data: dict[str, Any], outputs: Mapping[str, Any] | None = None
    ) -> tuple[str, dict[str, Any]]:
        """Run the process; what goes wrong becomes the message of a failed job."""
        assert self.manager is not None
        made = self.manager.run(self.process.id, data, self.job_id)
        types = {output.id: output.media_type for output in self.process.outputs}
        return "application/json", {
            name: {
                "href": f"{self.manager.url}/files/jobs/{self.job_id}/{RESULTS}/{file}",
                "type": types[name],
            }
            for name, file in made.items()
            if not outputs or name in outputs
        }


class Manager(TinyDBManager):  # type: ignore[misc]
    """The jobs of one host."""

    def __init__(self, definition: dict[str, Any]) -> None:
        super().__init__(definition)
        # pygeoapi would post results to any address that a request names
        self.supports_subscribing = False
        self.folder = Path(definition["folder"])
        self.url = str(definition["url"])
        self.limits = Limits(**definition["limits"])
        self._slots = threading.BoundedSemaphore(self.limits.at_once)
        self._lock = threading.Lock()
        self._children: dict[str, subprocess.Popen[str]] = {}
        self._dismissed: set[str] = set()
        self._waiting = 0

    def get_processor(self, process_id: str) -> Processor:
        """Return the process, tied to this manager."""
        processor: Processor = super().get_processor(process_id)
        processor.manager = self
        return processor

    def execute_process(
        self, process_id: str, data_dict: Any, *arguments: Any, **options: Any
    ) -> Any:
        """Check the request, then begin the job."""
        process = registry.find(process_id)
        inputs = dict(data_dict) if isinstance(data_dict, Mapping) else {}
        try:
            for given in process.inputs:
                if given.is_path and given.id in inputs:
                    inputs[given.id] = self._inside(given.id, inputs[given.id])
            values = checked(process, inputs)
        except InputError as error:
            raise _Refused(self.shown(str(error))) from error
        wanted = options.get("requested_outputs")
        known = [output.id for output in process.outputs]
        if wanted and not (isinstance(wanted, Mapping | list) and set(wanted) <= set(known)):
            raise _Refused(f"outputs may name {', '.join(known)}")
        with self._lock:
            if self._waiting >= self.limits.waiting + self.limits.at_once:
                raise _Refused("too many jobs wait already", HTTPStatus.SERVICE_UNAVAILABLE)
        if _size(self.folder) > self.limits.folder_bytes:
            raise _Refused("the folder is full; delete jobs", HTTPStatus.INSUFFICIENT_STORAGE)
        job_id, kind, outputs, status, headers = super().execute_process(
            process_id, values, *arguments, **options
        )
        if outputs is None:  # begun, not done: the answer is the status (18-062r2, section 7.11.4)
            outputs = {
                "processID": process_id,
                "jobID": job_id,
                "type": "process",
                "status": "accepted",
            }
        return job_id, kind, outputs, status, headers

    def _inside(self, name: str, value: Any) -> str:
        """Return the file of this host's folder that an input names."""
        if isinstance(value, Mapping):
            value = value.get("href", value.get("value"))
        expected = "the name of an uploaded file or the address of an output of this host"
        if not isinstance(value, str) or "\0" in value:
            raise InputError(Problem("input-type", f"{name} is no text", expected, "correct it"))
        text = value
        if text.startswith(f"{self.url}/files/"):
            text = unquote(text.removeprefix(f"{self.url}/files/"))
        root = self.folder.resolve()
        path = (root / text).resolve()
        inside = path.is_relative_to(root / "uploads") or path.is_relative_to(root / "jobs")
        if not inside or Path(text).is_absolute() or "://" in text:
            what = f'{name} is "{value[:200]}"'
            raise InputError(Problem("path-outside", what, expected, "upload the file first"))
        return str(path)

    def shown(self, text: str) -> str:
        """Leave out where on this machine the folder lies."""
        return text.replace(f"{self.folder.resolve()}{os.sep}", "")

    def run(self, process_id: str, inputs: Mapping[str, Any], job_id: str) -> dict[str, str]:
        """Run a process in a process of its own.

        Returns
        -------
        dict
            File name by output id.

        Raises
        ------
        RuntimeError
            It failed, took too long or was dismissed; the text says why.
        """
        with self._lock:
            self._waiting += 1
        try:
            with self._slots:
                return self._run(process_id, inputs, job_id)
        finally:
            with self._lock:
                self._waiting -= 1
                self._dismissed.discard(job_id)

    def _run(self, process_id: str, inputs: Mapping[str, Any], job_id: str) -> dict[str, str]:
        asked = {
            "process": process_id,
            "inputs": inputs,
            "out": str(self.folder / "jobs" / job_id / RESULTS),
            "memory_bytes": self.limits.memory_bytes,
            "file_bytes": self.limits.file_bytes,
        }
        with self._lock:
            if job_id in self._dismissed:
                raise RuntimeError("dismissed")
            child = subprocess.Popen(
                [sys.executable, "-m", "geosite.processes.hosts.job"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
                start_new_session=True,
            )
            self._children[job_id] = child
        late = threading.Event()

        def stop() -> None:
            late.set()
            _kill(child)

        timer = threading.Timer(self.limits.seconds, stop)
        timer.start()
        try:
            last: dict[str, Any] = {}
            assert child.stdin is not None
            assert child.stdout is not None
            with contextlib.suppress(BrokenPipeError), child.stdin as stream:
                stream.write(json.dumps(asked))
            with child.stdout as lines:
                for line in lines:
                    last = json.loads(line)
                    if "progress" in last:
                        # 95 and more belong to writing the answer
                        percent = int(5 + 89 * min(max(float(last["progress"]), 0.0), 1.0))
                        status = {"status": "running", "message": last["message"]}
                        self.update_job(job_id, {**status, "progress": percent})
            child.wait()
        finally:
            timer.cancel()
            _kill(child)
            with self._lock:
                del self._children[job_id]
        if "outputs" in last:
            return dict(last["outputs"])
        # with what a run that was ended has left half-written
        shutil.rmtree(self.folder / "jobs" / job_id, ignore_errors=True)
        if late.is_set():
            raise RuntimeError(f"it took longer than {self.limits.seconds:g} s and was ended")
        problems = last.get("problems", ["it was ended, perhaps for want of memory"])
        raise RuntimeError(self.shown("\n".join(problems)))

    def delete_job(self, job_id: str) -> bool:
        """End a job if it runs and remove it with its outputs."""
        waits = self.get_job(job_id)["status"] in ("accepted", "running")
        with self._lock:
            child = self._children.get(job_id)
            if waits:
                self._dismissed.add(job_id)
        if child is not None:
            _kill(child)
            child.wait()
        with contextlib.suppress(FileNotFoundError):
            super().delete_job(job_id)
        shutil.rmtree(self.folder / "jobs" / job_id, ignore_errors=True)
        return True

    def end_all(self) -> None:
        """End every run; the host stops."""
        with self._lock:
            for child in self._children.values():
                _kill(child)


def _kill(child: subprocess.Popen[str]) -> None:
    """End a run and everything it started."""
    with contextlib.suppress(ProcessLookupError, PermissionError):
        if sys.platform == "win32":
            child.kill()
        elif child.poll() is None:
            os.killpg(child.pid, signal.SIGKILL)


def _size(folder: Path) -> int:
    """Return the bytes in a folder."""
    total = 0
    for base, _, files in os.walk(folder):
        for name in files:
            with contextlib.suppress(OSError):
                total += os.lstat(os.path.join(base, name)).st_size
    return total


def _configuration(folder: Path, url: str, port: int, limits: Limits) -> dict[str, Any]:
    """Return pygeoapi's configuration."""
    about = {
        "title": "geosite",
        "description": "Hand-walked site surveys to GIS layers, with their accuracy stated",
    }
    usable = registry.processes().processes
    return {
        "server": {
            "bind": {"host": "127.0.0.1", "port": port},
            "url": url,
            "mimetype": "application/json; charset=UTF-8",
            "encoding": "utf-8",
            "languages": ["en-US"],
            "pretty_print": True,
            # otherwise only the first ten processes are listed
            "limits": {"default_items": 1000, "max_items": 10000},
            "map": {"url": "", "attribution": ""},
            "manager": {
                "name": "geosite.processes.hosts.http.Manager",
                "connection": str(folder / ".host" / "jobs.json"),
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
                "processor": {"name": "geosite.processes.hosts.http.Processor", "process": name},
            }
            for name in usable
        },
    }


def serve(
    folder: Path,
    port: int = 5000,
    *,
    limits: Limits | None = None,
    ready: Callable[[str], None] = lambda url: None,
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
        Called with the address once requests are answered.

    Raises
    ------
    InputError
        The port is taken.
    """
    import socket

    limits = limits or Limits()
    folder = folder.resolve()
    for name in ("uploads", "jobs", ".host"):
        (folder / name).mkdir(parents=True, exist_ok=True)
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
    with listener, _application(folder, url, port, limits) as (application, manager):
        import logging

        from werkzeug.serving import make_server

        logging.getLogger("werkzeug").setLevel(logging.ERROR)
        server = make_server("127.0.0.1", port, application, threaded=True, fd=listener.fileno())
        ready(url)
        try:
            server.serve_forever()
        finally:
            manager.end_all()
            server.server_close()


@contextlib.contextmanager
def _application(
    folder: Path, url: str, port: int, limits: Limits
) -> Iterator[tuple[Any, Manager]]:
    """Make pygeoapi's application, which reads its configuration from files on import."""
    configuration = _configuration(folder, url, port, limits)
    with tempfile.TemporaryDirectory(prefix="geosite-host-") as place:
        path = Path(place) / "configuration.yml"
        path.write_text(json.dumps(configuration), encoding="utf-8")  # JSON is YAML
        os.environ["PYGEOAPI_CONFIG"] = str(path)
        os.environ["PYGEOAPI_OPENAPI"] = str(Path(place) / "openapi.json")
        from pygeoapi.openapi import get_oas

        document = json.dumps(get_oas(configuration), default=str)
        (Path(place) / "openapi.json").write_text(document, encoding="utf-8")
        from pygeoapi import flask_app

        manager: Manager = flask_app.api_.manager
        for job in manager.get_jobs()["jobs"]:
            if job["status"] in ("accepted", "running"):
                words = {"status": "failed", "message": "the host was stopped while it ran"}
                manager.update_job(job["identifier"], words)
        _guard(flask_app.APP, url, limits)
        _add_files(flask_app.APP, folder, url, limits)
        yield flask_app.APP, manager


def _guard(application: Any, url: str, limits: Limits) -> None:
    """Turn away what did not come from this machine's own user, and requests that are none."""
    from flask import Response, request
    from werkzeug.exceptions import HTTPException

    application.config["MAX_CONTENT_LENGTH"] = limits.upload_bytes
    own = (
        url.removeprefix("http://"),
        url.removeprefix("http://").replace("127.0.0.1", "localhost"),
    )

    def answer(status: int, text: str) -> Response:
        code = "InvalidParameterValue" if status < 500 else "NoApplicableCode"
        body = json.dumps({"type": code, "code": code, "description": text})
        return Response(body, status, mimetype="application/json")

    @application.before_request  # type: ignore[untyped-decorator]
    def look() -> Response | None:
        # a name that somebody else made point here, or a page somewhere else
        if request.host not in own:
            return answer(403, "this host answers on its own address only")
        origin = request.headers.get("Origin")
        if origin is not None and origin.removeprefix("http://") not in own:
            return answer(403, "requests from other sites are not answered")
        if request.method == "POST":
            if (request.content_length or 0) > _LARGEST_REQUEST:
                return answer(413, "a request of more than 10 MB; upload files with PUT")
            try:
                from_request(request.get_data(), "request")
            except InputError as error:
                return answer(400, str(error))
        return None

    @application.errorhandler(Exception)  # type: ignore[untyped-decorator]
    def failed(error: Exception) -> Response:
        if isinstance(error, HTTPException):
            return answer(error.code or 500, error.description or error.name)
        return answer(500, f"a bug in the host ({type(error).__name__})")


def _add_files(application: Any, folder: Path, url: str, limits: Limits) -> None:
    """Add sending and fetching of files to the application."""
    from flask import Response, abort, request, send_file

    root = folder.resolve()

    def place(name: str) -> Path:
        parts = name.split("/")
        if len(parts) > _DEEPEST or not all(_SEGMENT.fullmatch(part) for part in parts):
            abort(
                400,
                "a name of letters, digits, dots, dashes, blanks and underscores, 4 folders deep",
            )
        return root / "uploads" / name

    @application.get("/files/<path:name>")  # type: ignore[untyped-decorator]
    def fetch(name: str) -> Response:
        path = (root / name).resolve()
        shared = path.is_relative_to(root / "uploads") or path.is_relative_to(root / "jobs")
        if not shared or not path.is_file() or any(part[0] == "." for part in Path(name).parts):
            abort(404, "there is no such file")
        response: Response = send_file(path, as_attachment=True)
        response.headers["X-Content-Type-Options"] = "nosniff"
        return response

    @application.put("/files/uploads/<path:name>")  # type: ignore[untyped-decorator]
    def send(name: str) -> Response:
        target = place(name)
        if _size(root) + (request.content_length or 0) > limits.folder_bytes:
            abort(507, "the folder is full; delete jobs and uploads")
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
        body = json.dumps({"href": f"{url}/files/uploads/{name}"})
        return Response(body, 201, mimetype="application/json")

    @application.delete("/files/uploads/<path:name>")  # type: ignore[untyped-decorator]
    def remove(name: str) -> Response:
        target = place(name)
        if not target.is_file():
            abort(404, "there is no such file")
        target.unlink()
        return Response("", 204)
