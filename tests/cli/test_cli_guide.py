"""The guide: every command in it runs as it stands, one after the other."""

import re
import shlex
from pathlib import Path

import pytest
from cli_runner import ROOT, geosite
from quick_landing import fit_few_components, quick_samples

from geosite.fieldbook.model import PIECE_KINDS
from geosite_cli.guide import TOPICS, guide_text


def commands(text: str) -> list[list[str]]:
    blocks = re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
    return [shlex.split(line)[1:] for block in blocks for line in block.strip().splitlines()]


@pytest.mark.slow
@pytest.mark.parametrize("topic", TOPICS)
def test_commands_of_the_guide_run(
    topic: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    quick_samples(tmp_path, lean=True)
    fit_few_components(monkeypatch)
    calls = commands(guide_text(topic))
    assert calls
    for call in calls:
        ran = geosite(*call)
        assert ran.status == 0, (call, ran.err)


@pytest.mark.parametrize("topic", TOPICS)
def test_a_topic_is_printed_and_fits_the_screen(topic: str) -> None:
    ran = geosite("guide", topic)
    assert (ran.status, ran.err) == (0, "")
    assert max(map(len, ran.out.splitlines())) <= 200
    assert "```" not in ran.out


def test_segments_have_a_drawing_each() -> None:
    text = guide_text("segments")
    assert all(f"\n{kind}: " in text for kind in PIECE_KINDS)


def test_topics_are_listed_and_a_wrong_one_is_refused() -> None:
    assert all(topic in geosite("guide").out for topic in TOPICS)
    ran = geosite("guide", "drainige")
    assert ran.status == 2
    assert 'did you mean "drainage"' in ran.err


def test_messages_in_the_troubleshooting_are_those_of_the_program() -> None:
    source = "\n".join(
        path.read_text(encoding="utf-8") for path in (ROOT / "geosite").rglob("*.py")
    )
    plain = re.sub(r'"\s*\n\s*f?"', "", source)
    for message in re.findall(r'^"(.*)"$', guide_text("trouble"), re.MULTILINE):
        for part in re.split(r"\.\.\.", message):
            words = part.strip(" ,();")
            if len(words) > 6:
                assert words in plain, words
