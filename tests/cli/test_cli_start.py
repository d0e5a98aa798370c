"""An interrupt while the command starts is one line, whatever is being imported."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("has no such signals", allow_module_level=True)

AT_IMPORT_OF = """
import os, sys
class At:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            os.kill(os.getpid(), {number})
sys.meta_path.insert(0, At())
sys.argv = ["geosite", "list"]
from geosite_cli.start import main
main()
"""

SITE = str(Path(__file__).parents[2] / "sample_data" / "jetty_feet" / "site.toml")

WITHOUT_START = "import sys; from geosite_cli.main import main; main(sys.argv[1:])"


@pytest.mark.parametrize("module", ["geosite_cli.main", "click", "geosite.processes.registry"])
@pytest.mark.parametrize(("number", "status"), [(2, 130), (15, 143)])
def test_a_signal_at_the_start(module: str, number: int, status: int) -> None:
    ran = subprocess.run(
        [sys.executable, "-c", AT_IMPORT_OF.format(module=module, number=number)],
        capture_output=True,
        text=True,
    )
    assert ran.returncode == status
    assert ran.stdout == ""
    said = "geosite: interrupted; nothing half-written was left\n"
    assert ran.stderr == (said if number == 2 else "")


def test_the_start_imports_nothing_that_takes_time() -> None:
    code = (
        "import sys; before = set(sys.modules); import geosite_cli.start; "
        "print(*sorted(set(sys.modules) - before))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    found = {name for name in ran.stdout.split() if not name.startswith("editables")}
    assert found <= {"geosite_cli", "geosite_cli.start"}


def test_what_the_process_was_started_to_ignore_stays_so() -> None:
    code = (
        "import os, signal; signal.signal(2, signal.SIG_IGN); import geosite_cli.start; "
        "os.kill(os.getpid(), 2); print('still here')"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout == "still here\n"


@pytest.mark.parametrize(("asked", "threads"), [(None, "1"), ("4", "4")])
def test_linear_algebra_takes_one_thread_unless_asked_for_more(
    asked: str | None, threads: str
) -> None:
    name = "OPENBLAS_NUM_THREADS"
    code = f"import geosite_cli.start, os; print(os.environ['{name}'])"
    others = {key: value for key, value in os.environ.items() if key != name}
    asks = {} if asked is None else {name: asked}
    ran = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env=others | asks,
    )
    assert ran.stdout == f"{threads}\n"


@pytest.mark.parametrize(
    ("arguments", "status", "told"),
    [(["check", "nowhere.toml"], 2, ""), (["check", SITE], 0, ""), (["describe", "x"], 2, "end")],
)
@pytest.mark.slow
def test_check_and_build_end_without_ado(arguments: list[str], status: int, told: str) -> None:
    """All that was said is there, and the status; a plug-in of other commands hears of the end."""
    code = (
        "import atexit, os, sys; atexit.register(os.write, 2, b'end'); "
        f"sys.argv = ['geosite', *{arguments!r}]; from geosite_cli.start import main; main()"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert ran.returncode == status
    assert ran.stderr.endswith("end") == bool(told)
    assert bool(ran.stdout) == (status == 0)
    if status == 0:
        whole = subprocess.run(
            [sys.executable, "-c", WITHOUT_START, *arguments], capture_output=True, text=True
        )
        assert ran.stdout == whole.stdout
