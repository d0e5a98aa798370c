"""A build that is killed, at any moment, leaves the folder of before or the new one, whole."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

if sys.platform != "linux":
    pytest.skip("the exchange of two folders in one step is Linux's", allow_module_level=True)

# One process imports everything once and forks a writer per moment. The writer's folder is either
# that of the survey of one day or of the next; the parent looks at it after each kill.
SCRIPT = """
import dataclasses, hashlib, json, os, random, signal, sys, time
from pathlib import Path
import fiona, rasterio, ezdxf, pyproj  # before the fork
import package_cases
from geosite.fieldbook.sitefile import Handover
from geosite.handover.folder.manifest import verify
from geosite.handover.folder.write import write_package

out = Path(sys.argv[1])
random.seed(20260412)
options = Handover(plan=False, viewer=False)  # a copy of the process writes the drawing
whole = package_cases.only(package_cases.ferry_landing(), "points", "areas", "slope")
whole = dataclasses.replace(whole, features=whole.features[2:3])
days = [dataclasses.replace(whole, date=day) for day in ("2026-04-12", "2026-04-13")]


def digest():
    found = {}
    for path in sorted(out.rglob("*")):
        if path.is_file():
            found[str(path.relative_to(out))] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


known, times = [], []
for day in days:
    start = time.perf_counter()
    write_package(day, out, options)
    times.append(time.perf_counter() - start)
    (out / "note.txt").write_text("somebody's own file")
    known.append(digest())
assert known[0] != known[1]
seconds = times[1]
now, counts = 1, {"killed": 0, "old": 0, "new": 0, "left": 0}
for moment in range(30):
    wanted = days[1 - now]
    child = os.fork()
    if child == 0:
        write_package(wanted, out, options)
        os._exit(0)
    # most moments anywhere, every third around the end, where the folders change places
    late = moment % 3 == 0
    time.sleep(random.uniform(0.85, 1.1) * seconds if late else random.uniform(0, 1.1) * seconds)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    killed = os.WIFSIGNALED(status)
    counts["killed"] += killed
    if late or not killed:  # keep to the end of the run, however busy the machine is
        seconds *= 1.1 if killed else 0.9
    found = digest()
    assert found in known, sorted(set(found) ^ set(known[0]))
    assert verify(out) == ()
    counts["new" if found == known[1 - now] else "old"] += 1
    now = known.index(found)
    counts["left"] += sum(name.startswith(".geosite-") for name in os.listdir(out.parent))
write_package(days[0], out, options)
assert digest() == known[0]
assert os.listdir(out.parent) == [out.name], os.listdir(out.parent)
print(json.dumps({**counts, "seconds": times}))
"""


def test_thirty_kills(tmp_path: Path) -> None:
    tests = str(Path(__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-W", "ignore::DeprecationWarning", "-c", SCRIPT, str(tmp_path / "out")],
        env={"PYTHONPATH": tests, "PATH": "/usr/bin:/bin", "HOME": str(tmp_path.parent)},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    counts = json.loads(done.stdout)
    assert counts["old"] + counts["new"] == 30
    # the moments were such that both outcomes were seen, and stopped runs left something to clear
    assert counts["killed"] >= 9
    assert counts["old"] >= 6
    assert counts["new"] >= 1
    assert counts["left"] >= 6
