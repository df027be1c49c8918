"""One thing has one word: what the glossary refuses stands in no name, no text and no comment of the package."""

from __future__ import annotations

import functools
import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest
from glossary import PAGE, page, terms
from import_graph import PACKAGE

TOLD_TOKENS = {tokenize.NAME, tokenize.STRING, tokenize.COMMENT, getattr(tokenize, "FSTRING_MIDDLE", tokenize.STRING)}


def refused_words() -> dict[str, str]:
    """The word to use, by the word or words that are not used for it."""
    return {refused: term.word for term in terms() for refused in term.instead_of}


@functools.cache
def plain(text: str) -> str:
    """``text`` as lower-case words between single blanks, names taken apart, without what is another thing's name."""
    apart = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|_", " ", text)
    words = " ".join(re.findall(r"[a-z']+", apart.lower()))
    for term in terms():
        for allowed in term.allowed_in:
            words = words.replace(allowed, "")
    return words


def offences(where: str, text: str, refused: dict[str, str]) -> Iterator[str]:
    """Each refused word in a name or a text, singular or plural, with the word to use.

    Several words count only where blanks part them: ``max_pitch_deg`` is a key of files, "max pitch" is told to people.
    """
    apart, together = plain(text), " ".join(text.lower().split())
    for phrase, instead in refused.items():
        searched = together if " " in phrase else apart
        if phrase in searched and re.search(rf"\b{re.escape(phrase)}(s|es)?\b", searched):
            yield f"{where}: '{phrase}' for what is called '{instead}'"


def offences_in(path: Path, root: Path, refused: dict[str, str]) -> Iterator[str]:
    """Offences in the file's own name, and in its names, texts and comments."""
    name = path.relative_to(root).as_posix()
    yield from offences(name, path.stem, refused)
    for token in tokenize.generate_tokens(io.StringIO(path.read_text(encoding="utf-8")).readline):
        if token.type in TOLD_TOKENS:
            yield from offences(f"{name}:{token.start[0]}", token.string, refused)


def found_in(root: Path) -> list[str]:
    """All offences of a package, each once."""
    paths = sorted(root.rglob("*.py"))
    return list(dict.fromkeys(one for path in paths for one in offences_in(path, root, refused_words())))


def test_the_package_uses_one_word_for_one_thing() -> None:
    found = found_in(PACKAGE)
    assert not found, "see bench/docs/glossary.md:\n" + "\n".join(found)


def test_the_glossary_is_derived_from_its_declarations() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "python tests/rules/glossary.py writes it anew"


def test_no_word_is_declared_twice_or_both_used_and_refused() -> None:
    words = [word.strip() for term in terms() for word in term.word.split(",")]
    assert len(set(words)) == len(words)
    assert not set(words) & set(refused_words())


# --- the rule itself ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "coarsest_pitch_deg = 1",
        "class CoarsestPitch: pass",
        "def f(): return 'the Coarsest pitch'",
        "def f(x): return f'{x} coarsest'",
        "x = 1  # the coarsest of them",
        '"""Coarsest pitch."""',
        "x = 'the max pitch'",
        "errands = ()",
    ],
)
def test_a_refused_word_is_found_wherever_it_stands(tmp_path, text: str) -> None:
    (tmp_path / "a.py").write_text(text + "\n", encoding="utf-8")
    assert len(found_in(tmp_path)) == 1


def test_a_refused_word_is_found_in_the_name_of_a_file(tmp_path) -> None:
    (tmp_path / "desk.py").write_text("x = 1\n", encoding="utf-8")
    assert found_in(tmp_path) == ["desk.py: 'desk' for what is called 'command'"]


def test_words_that_only_contain_one_are_left_alone(tmp_path) -> None:
    text = "desktop = 'the washer, a desktop, a data sheet'\nmax_pitch_deg = style_sheet = 1\n"
    (tmp_path / "a.py").write_text(text, encoding="utf-8")
    assert not found_in(tmp_path)
