"""Every command of the guide runs, every link leads somewhere, and the one page needs nothing beside it."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import click
import pytest
from guide_commands import MARKS, RUN, Block, blocks
from guide_page import CHAPTERS, GUIDE, PAGES, TOP, anchor, page_html, slug, target

from whirlbench.cli.main import DONE, VERBS, run, whirlbench

BLOCKS = list(blocks())
LINK = re.compile(r"(!?)\[[^\]]*\]\(([^)\s]+)\)")
HEADING = re.compile(r"^#{2,} (.+)$", re.MULTILINE)


@pytest.fixture(scope="module")
def folder(rehearsal: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clone in which somebody has rehearsed: what stands in the project, and the rehearsal's results."""
    place = tmp_path_factory.mktemp("clone")
    for name in ("bench", "recordings"):
        (place / name).symlink_to(TOP / name)
    (place / "rehearsal").symlink_to(rehearsal)
    return place


@pytest.mark.timeout(1200)  # some ten seconds of computing, after a rehearsal that other tests may have to wait for
def test_every_command_runs_in_the_order_of_the_guide(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each with the exit status of success; files of the guide are written as they stand, where they stand."""
    monkeypatch.chdir(folder)
    ran = 0
    for block in BLOCKS:
        if block.file:
            (folder / block.file).write_text(block.text, encoding="utf-8")
        elif block.mark == RUN:
            ran += sum(_run_as_typed(words, block, capsys) for words in block.commands)
    assert ran >= 20
    for left in ("field-card.html", "limits.png", "re-test.toml", "governed.toml", "onset.png", "mended.h5", "log.csv"):
        assert (folder / left).stat().st_size > 100


def _run_as_typed(words: list[str], block: Block, capsys: pytest.CaptureFixture[str]) -> int:
    """One command, by its words; 1 for a verb that ran, 0 for the shell's ``cp``."""
    if words[0] == "cp":
        shutil.copy(words[1], words[2])
        return 0
    assert words[0] == "whirlbench", f"{block.chapter}: {words}: mark what the tests are not to run"
    status = run(words[1:])
    told = capsys.readouterr()
    assert status == DONE, f"{block.chapter}: {' '.join(words)}: {status}: {told.err}{told.out[-500:]}"
    return 1


def test_what_is_not_run_has_options_that_exist() -> None:
    """Verbs and options of the commands that need hardware, a display or more time."""
    held = [(block, words) for block in BLOCKS if block.mark not in (RUN, "setup") for words in block.commands]
    assert len(held) > 15
    for block, words in held:
        assert words[0] == "whirlbench" and words[1] in VERBS, f"{block.chapter}: {words}"
        command = whirlbench.get_command(click.Context(whirlbench), words[1])
        assert command is not None
        try:
            command.make_context(words[1], words[2:], resilient_parsing=False)
        except click.UsageError as error:
            pytest.fail(f"{block.chapter}: {' '.join(words)}: {error.format_message()}")


def test_every_block_has_a_known_mark_and_every_verb_stands_in_the_guide() -> None:
    assert {block.mark for block in BLOCKS if not block.file} <= MARKS
    used = {words[1] for block in BLOCKS for words in block.commands if words[0] == "whirlbench"}
    assert set(VERBS) - used == set(), "verbs that the guide does not show"


def test_every_chapter_is_on_the_page() -> None:
    assert {path.stem for path in GUIDE.glob("*.md")} == set(CHAPTERS)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_link_leads_somewhere(page: Path) -> None:
    """To a file that is there and, where it names one, a heading in it."""
    for picture, link in LINK.findall(page.read_text(encoding="utf-8")):
        if "://" in link:
            continue
        name, _, fragment = link.partition("#")
        other = (page.parent / name).resolve() if name else page
        assert other.is_file(), f"{page.name}: {link}"
        if not picture and fragment:
            headings = {slug(one) for one in HEADING.findall(other.read_text(encoding="utf-8"))}
            assert fragment in headings, f"{page.name}: {link}: no such heading"


def test_the_one_page_needs_nothing_beside_it() -> None:
    page = page_html()
    outside = re.findall(r'(?:src|href)="(?!#|data:|https://)([^"]*)"', page)
    assert not outside
    places = set(re.findall(r' id="([^"]+)"', page))
    assert {anchor(one) for one in PAGES} <= places
    assert set(re.findall(r'href="#([^"]+)"', page)) <= places
    assert page.count("data:image/png") >= 3 and "<script" not in page


def test_links_between_chapters_lead_to_places_on_the_page() -> None:
    page = GUIDE / "first_hour.md"
    assert target(page, "your_rig.md#what-to-measure-and-with-what") == "#your_rig-what-to-measure-and-with-what"
    assert target(page, "../rig_keys.md") == "#rig_keys"
    assert target(page, "../CHANGELOG.md") == ""
