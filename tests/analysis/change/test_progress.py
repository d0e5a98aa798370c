"""What was added per code, and what only was not walked again."""

from __future__ import annotations

from types import SimpleNamespace

from geosite.analysis.change.progress import features_not_walked_again


def drawing(*features: tuple[str, str]) -> SimpleNamespace:
    return SimpleNamespace(features=[SimpleNamespace(name=n, code=c) for n, c in features])


def test_a_feature_that_only_the_first_survey_has_is_named_with_its_code() -> None:
    before = drawing(("tank", "slab"), ("pad", "slab"), ("wall", "kerb"), ("hut", "roof"))
    after = drawing(("pad", "slab"), ("new pad", "slab"), ("wall", "kerb"))
    # the code of the hut was not walked again at all: it is left out of the comparison
    assert features_not_walked_again(before, after) == (("tank", "slab"),)
    assert features_not_walked_again(before, before) == ()
