"""Every message and every reason of a cut stands in the trouble table, and the page is current."""

from __future__ import annotations

from pathlib import Path

import pytest
from messages import PACKAGE, Message, collected
from troubles import PAGE, page_text, rows, trouble_of

from whirlbench.link.messages import Reason
from whirlbench.rig.limits import TRENDS, WITH_RULE

CUTS, TROUBLES = rows()


def test_the_page_is_current() -> None:
    assert PAGE.read_text(encoding="utf-8") == page_text(), "run: python tests/docs/troubles.py"


def test_every_message_of_the_sources_has_a_symptom_and_stands_on_the_page() -> None:
    page, found = PAGE.read_text(encoding="utf-8"), collected()
    assert len(found) > 300
    without = [message for message in found if trouble_of(message, TROUBLES) is None]
    assert not without, f"give these a row in tests/docs/troubles.toml: {without}"
    assert not [message for message in found if f"``{message.text}``" not in page]


def test_every_symptom_has_messages_and_names_files_that_are_there() -> None:
    files = [path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py")]
    for row in TROUBLES:
        assert any(trouble_of(message, TROUBLES) is row for message in collected()), row.symptom
        for start in row.files:
            assert any(name.startswith(start) for name in files), f"{row.symptom}: {start}"


def test_every_reason_of_the_device_and_every_limit_of_the_host_has_one_row() -> None:
    reasons = [name for row in CUTS for name in row.reasons]
    assert sorted(reasons) == sorted(reason.name for reason in Reason if reason is not Reason.NONE)
    limits = [key for row in CUTS for key in row.limits]
    assert sorted(limits) == sorted(limit.key for limit in (*WITH_RULE, *TRENDS))


@pytest.mark.parametrize(
    ("source", "text"),
    [
        ("raise RigError('one two three four')", "one two three four"),
        ("raise errors.PlanError(f'{a} is {b!r}: expected three more words')", "… is …: expected three more words"),
        ("raise LinkError(f'{a} is ' + f'{b}: and four more words')", "… is …: and four more words"),
    ],
)
def test_a_message_is_collected_with_gaps_for_values(tmp_path: Path, source: str, text: str) -> None:
    (tmp_path / "a.py").write_text(source + "\n", encoding="utf-8")
    assert collected(tmp_path) == [Message("a.py", text)]


@pytest.mark.parametrize("source", ["f'{a}: {b}; {c} - {d} / {e}'", "f'{a}: --map \"{b}={c}\": {d}; found {e}'"])
def test_a_message_of_hardly_anything_but_gaps_is_left_out(tmp_path: Path, source: str) -> None:
    (tmp_path / "a.py").write_text(f"raise RigError({source})\n", encoding="utf-8")
    assert collected(tmp_path) == []


def test_what_an_import_asks_stands_apart_from_the_program_s_own_tables() -> None:
    foreign = trouble_of(Message("recording/foreign/times.py", "x"), TROUBLES)
    own = trouble_of(Message("recording/csv_table.py", "x"), TROUBLES)
    assert foreign is not None and "another logger" in foreign.symptom
    assert own is not None and "program's own" in own.symptom


def test_the_longest_beginning_of_a_path_wins() -> None:
    refused = trouble_of(Message("session/plan/steps.py", "x"), TROUBLES)
    cleared = trouble_of(Message("session/plan/clearance.py", "x"), TROUBLES)
    assert refused is not None and refused.symptom == "The plan is refused"
    assert cleared is not None and "not cleared" in cleared.symptom
    assert trouble_of(Message("nowhere/a.py", "x"), TROUBLES) is None
