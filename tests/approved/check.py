"""A case against its approved text."""

from __future__ import annotations

from pathlib import Path

from approved.cases import told_by
from approved.compare import differences

__all__ = ["TEXT", "assert_approved"]

TEXT = Path(__file__).parent / "text"


def assert_approved(case: str, folder: Path) -> None:
    """Fail with what a reader of the files would see differ."""
    now = told_by(case, folder)
    place = TEXT / case
    before = {path.name: path.read_text(encoding="utf-8") for path in place.iterdir()}
    told = []
    for name in sorted(before | now):
        told += differences(f"{case}/{name}", before.get(name, ""), now.get(name, ""))
    most = 30
    if len(told) > most:
        told[most:] = [f"and {len(told) - most} more differences"]
    assert not told, "\n".join(
        [
            "What leaves is not what was approved. If it should be, look at what",
            f"python tests/approved/approve.py {case}",
            "changes in tests/approved/text, and commit it with what made it change.",
            *told,
        ]
    )
