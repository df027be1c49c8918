"""Every palette can be read, and tells its colours apart for every eye (WCAG 2.2; Machado)."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import combinations

import pytest
from colour_vision import EYES, contrast, distance

from whirlbench.window.drawing import palette

WORDS = ("ink", "faint", "caution", "calm", "close", "over", "cursor", "measured", "model", "second")
TEXT, LARGE = 4.5, 3.0  # WCAG 2.2, 1.4.3 and 1.4.11
SUNLIGHT_TEXT = 7.0  # 1.4.6
APART = 14.0  # below about ten two colours can be taken for one another (common practice, no source)
TOGETHER = (  # parts whose difference means something where they lie together
    *combinations(("calm", "close", "over"), 2),
    *combinations(("measured", "model", "second", "cursor"), 2),
    *((part, "over") for part in ("measured", "model", "second")),
)


@pytest.fixture(params=palette.PALETTES)
def name(request) -> Iterator[str]:
    palette.choose(request.param)
    yield request.param
    palette.choose(palette.LIGHT)


def test_the_measure_gives_the_published_ratios() -> None:
    """Relative luminance and contrast ratio as WCAG 2.2 defines them, worked by hand."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.478, abs=2e-3)
    assert contrast("#0000ff", "#ff0000") == pytest.approx(2.149, abs=2e-3)
    assert contrast("#00ff00", "#000000") == pytest.approx(15.304, abs=2e-3)


def test_palettes_have_the_same_parts(name: str) -> None:
    assert palette.PALETTES[name].keys() == palette.PALETTES[palette.LIGHT].keys()
    assert set(palette.CHANNEL_PARTS.values()) <= set(WORDS)


@pytest.mark.parametrize("part", WORDS)
def test_words_are_readable_on_paper_and_card(name: str, part: str) -> None:
    least = SUNLIGHT_TEXT if name == "sunlight" and part in ("ink", "faint", "over") else TEXT
    assert min(contrast(palette.ink(part), palette.ink(ground)) for ground in ("paper", "card")) >= least


@pytest.mark.parametrize("part", ["calm", "close", "over", "faint", "ink"])
def test_fillings_stand_out_from_their_trough(name: str, part: str) -> None:
    assert contrast(palette.ink(part), palette.RULE) >= LARGE


@pytest.mark.parametrize("pair", TOGETHER, ids="-".join)
@pytest.mark.parametrize("eye", EYES)
def test_colours_that_mean_something_stay_apart(name: str, pair: tuple[str, str], eye: str) -> None:
    assert distance(*(palette.ink(part) for part in pair), eye) >= APART


def test_pairs_of_the_style_sheet_are_readable(name: str) -> None:
    """Whatever rule names both a ground and a colour of words, disabled and chosen ones among them."""
    rules = re.findall(r"\{([^}]*)\}", palette.style_sheet())
    pairs = [(re.search(r"background: (#\w+)", rule), re.search(r"(?<![-\w])color: (#\w+)", rule)) for rule in rules]
    found = [(ground[1], words[1]) for ground, words in pairs if ground and words]
    assert len(found) >= 5
    assert min(contrast(*pair) for pair in found) >= TEXT


def test_a_palette_or_part_that_is_none_is_refused() -> None:
    with pytest.raises(KeyError):
        palette.choose("violet")
    assert palette.chosen() == palette.LIGHT
    with pytest.raises(AttributeError, match="no part"):
        palette.VIOLET  # noqa: B018
