"""The jobs of the HTTP host: checked, run in processes of their own, and kept in a database.

The list of jobs is one SQLite file, so that a host that is killed at any moment finds it whole.
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
import threading
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from pygeoapi.process.base import (
    BaseProcessor,
    JobNotFoundError,
    JobResultNotFoundError,
    ProcessorExecuteError,
)
from pygeoapi.process.manager.base import BaseManager

from geosite.base.errors import InputError, Problem, printable
from geosite.base.problems import Problems
from geosite.processes import registry
from geosite.processes.description import describe
from geosite.processes.hosts.inline_files import inline_file
from geosite.processes.hosts.job_list import JobList
from geosite.processes.inputs import checked
from geosite.processes.model import Process

__all__ = ["RESULTS", "Limits", "Manager", "Processor", "Refused", "folder_size"]

RESULTS = "results"
"""Name of the folder of a job's outputs."""

_BEFORE_OURS = "InvalidParameterValue: Error executing process: "
"""What pygeoapi puts before the message of a run that failed."""


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
    connections
        Most connections at a time.
    idle_seconds
        After which a connection on which nothing comes or goes is closed.
    """

    seconds: float = 600.0
    upload_bytes: int = 500_000_000
    folder_bytes: int = 20_000_000_000
    file_bytes: int = 4_000_000_000
    memory_bytes: int = 8_000_000_000
    at_once: int = 2
    waiting: int = 50
    connections: int = 200
    idle_seconds: int = 60


class Refused(ProcessorExecuteError):  # type: ignore[misc]
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
        }


class Manager(BaseManager):  # type: ignore[misc]
    """The jobs of one host."""

    def __init__(self, definition: dict[str, Any]) -> None:
        super().__init__(definition)
        self.is_async = True
        # pygeoapi would post results to any address that a request names
        self.supports_subscribing = False
        self.folder = Path(definition["folder"])
        self.url = str(definition["url"])
        self.limits = Limits(**definition["limits"])
        self._list = JobList(Path(definition["connection"]))
        self._slots = threading.BoundedSemaphore(self.limits.at_once)
        self._lock = threading.Lock()
        self._children: dict[str, subprocess.Popen[str]] = {}
        self._dismissed: set[str] = set()
        self._waiting = 0

    def get_jobs(
        self, status: Any = None, limit: int | None = None, offset: int | None = None
    ) -> dict[str, Any]:
        """Return a page of the list, oldest first, and how many jobs there are."""
        jobs, count = self._list.page(offset or 0, limit or -1)
        return {"jobs": jobs, "numberMatched": count}

    def results_of(self, job_id: str) -> Path:
        """Return the folder of a job's outputs."""
        return self.folder / "jobs" / job_id / RESULTS

    def add_job(self, job_metadata: Mapping[str, Any]) -> str:
        """Put a job on the list."""
        identifier = str(job_metadata["identifier"])
        self._list.add(identifier, job_metadata)
        return identifier

    def update_job(self, job_id: str, update_dict: Mapping[str, Any]) -> bool:
        """Change what the list says about a job, in no words but ours of why one failed."""
        told = dict(update_dict)
        if "message" in told:
            told["message"] = str(told["message"]).removeprefix(_BEFORE_OURS)
        return self._list.update(job_id, told)

    def get_job(self, job_id: str) -> dict[str, Any]:
        """Return what the list says about a job."""
        job = self._list.get(job_id)
        if job is None:
            raise JobNotFoundError
        return job

    def get_job_result(self, job_id: str) -> tuple[str, Any] | tuple[None]:
        """Return the type and the answer of a job that is done; of another one a lone None."""
        job = self.get_job(job_id)
        if job["status"] != "successful":
            return (None,)
        try:
            return job["mimetype"], json.loads(Path(job["location"]).read_bytes())
        except (OSError, ValueError) as error:
            raise JobResultNotFoundError from error

    def clear_up(self) -> None:
        """Close what a host left that was stopped or killed: jobs that ran, and their files."""
        shutil.rmtree(self.folder / ".host" / "inline", ignore_errors=True)
        for job in self.get_jobs()["jobs"]:
            if job["status"] in ("accepted", "running"):
                words = {"status": "failed", "message": "the host was stopped while it ran"}
                self.update_job(job["identifier"], words)
                shutil.rmtree(self.folder / "jobs" / job["identifier"], ignore_errors=True)

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
        with self._lock:
            if self._waiting >= self.limits.waiting + self.limits.at_once:
                raise Refused("too many jobs wait already", HTTPStatus.SERVICE_UNAVAILABLE)
        if folder_size(self.folder) > self.limits.folder_bytes:
            raise Refused("the folder is full; delete jobs", HTTPStatus.INSUFFICIENT_STORAGE)
        sent = self.folder / ".host" / "inline" / uuid.uuid4().hex
        try:
            values = checked(process, self._named(process, inputs, sent))
        except InputError as error:
            shutil.rmtree(sent, ignore_errors=True)
            raise Refused(self.shown(str(error))) from error
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

    def _named(self, process: Process, inputs: Mapping[str, Any], sent: Path) -> dict[str, Any]:
        """Return inputs with the paths of their files; what is wrong with any is told together."""
        named, problems = dict(inputs), Problems()
        for given in process.inputs:
            if given.id in inputs and (given.is_path or given.is_path_list):
                one = self._file if given.is_path else self._files
                try:
                    named[given.id] = one(given.id, inputs[given.id], sent)
                except InputError as error:
                    problems.extend(error.problems)
        if problems:
            raise InputError(problems.first())
        return named

    def _file(self, name: str, value: Any, sent: Path) -> str:
        """Return the file that an input holds or names."""
        return inline_file(name, value, sent) or self._inside(name, value)

    def _files(self, name: str, value: Any, sent: Path) -> list[str]:
        """Return the files of a list, each held or named as one alone would be."""
        listed = value.get("value") if isinstance(value, Mapping) else value
        if not isinstance(listed, list):
            raise InputError(
                Problem("input-type", f"{name} is no list", "a list of files", "correct it")
            )
        found, problems = [], Problems()
        for k, one in enumerate(listed):
            try:
                found.append(self._file(f"{name}[{k}]", one, sent / str(k)))
            except InputError as error:
                problems.extend(error.problems)
        if problems:
            raise InputError(problems.first())
        return found

    def _inside(self, name: str, value: Any) -> str:
        """Return the file of this host's folder that an input names."""
        if isinstance(value, Mapping):
            value = value.get("href", value.get("value"))
        expected = "the name of an uploaded file or the address of an output of this host"
        if not isinstance(value, str) or "\0" in value:
            raise InputError(Problem("input-type", f"{name} is no text", expected, "correct it"))
        text = value
        for own in (self.url, self.url.replace("127.0.0.1", "localhost")):
            if text.startswith(f"{own}/files/"):
                text = unquote(text.removeprefix(f"{own}/files/"))
                break
        root = self.folder.resolve()
        try:
            path = (root / text).resolve()
        except (OSError, ValueError):  # a name too long, or half a character
            path = Path("/")
        inside = path.is_relative_to(root / "uploads") or path.is_relative_to(root / "jobs")
        if not inside or Path(text).is_absolute() or "://" in text:
            what = f'{name} is "{printable(value[:200])}"'
            raise InputError(Problem("path-outside", what, expected, "upload the file first"))
        return str(path)

    def shown(self, text: str) -> str:
        """Leave out where on this machine the folder lies."""
        text = re.sub(
            r"\.host/inline/[0-9a-f]{32}/", "", text.replace(f"{self.folder}{os.sep}", "")
        )
        return text

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
            self._forget_inline(inputs)

    def _forget_inline(self, inputs: Mapping[str, Any]) -> None:
        """Remove the files that were sent within the request of a run."""
        inline = self.folder / ".host" / "inline"
        for value in inputs.values():
            if isinstance(value, str) and Path(value).is_relative_to(inline):
                shutil.rmtree(Path(value).parent, ignore_errors=True)

    def _run(self, process_id: str, inputs: Mapping[str, Any], job_id: str) -> dict[str, str]:
        asked = {
            "process": process_id,
            "inputs": inputs,
            "out": str(self.folder / "jobs" / job_id / RESULTS),
            "memory_bytes": self.limits.memory_bytes,
            "file_bytes": self.limits.file_bytes,
            "host": os.getpid(),
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
        answer = self.get_job(job_id).get("location")
        if answer:
            Path(answer).unlink(missing_ok=True)
        self._list.remove(job_id)
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


def folder_size(folder: Path) -> int:
    """Return the bytes in a folder."""
    total = 0
    for base, _, files in os.walk(folder):
        for name in files:
            with contextlib.suppress(OSError):
                total += os.lstat(os.path.join(base, name)).st_size
    return total
