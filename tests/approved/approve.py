"""Write the approved text anew: python tests/approved/approve.py [CASE ...]

Read what `git diff tests/approved` shows then, as a reader of the files would, before it is
committed.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "sample_data")]

from approved.cases import CASES, told_by  # noqa: E402


def main() -> None:
    for name in sys.argv[1:] or CASES:
        with tempfile.TemporaryDirectory() as folder:
            texts = told_by(name, Path(folder))
        approved = HERE / "text" / name
        shutil.rmtree(approved, ignore_errors=True)
        approved.mkdir(parents=True)
        for file, text in texts.items():
            (approved / file).write_text(text, encoding="utf-8")
        print(f"{name}: {len(texts)} files, {sum(map(len, texts.values())) / 1000:.0f} kB")


if __name__ == "__main__":
    main()
