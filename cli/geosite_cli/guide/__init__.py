"""The guide: one text per topic, its commands run as they stand."""

from __future__ import annotations

from importlib.resources import files

__all__ = ["TOPICS", "guide_text"]

TOPICS = {
    "walk": "from the walk to the map",
    "segments": "straight, arc, circle, stream, gap: a small drawing of each",
    "drainage": "how to walk so that water can be told",
    "accuracy": "what the accuracy figures mean",
    "device": "know your device: what its error is made of, and how to measure it",
    "handover": "what to hand to whom",
    "trouble": "troubleshooting by message",
}


def guide_text(topic: str) -> str:
    """Return the text of a topic.

    Parameters
    ----------
    topic
        One of `TOPICS`.
    """
    text = files("geosite_cli.guide").joinpath(f"{topic}.md").read_text(encoding="utf-8")
    return text.replace("<segments>", _segments())


def _segments() -> str:
    from geosite.fieldbook.book_columns import SEGMENTS

    parts = []
    for segment in SEGMENTS:
        drawing = "\n".join(f"    {row}" for row in segment.drawing)
        rows = ", ".join(f"{point or '-'}: {word or 'blank'}" for point, word in segment.rows)
        parts.append(f"{segment.word}: {segment.meaning}\n\n{drawing}\n\n    {rows}\n")
    return "\n".join(parts)
