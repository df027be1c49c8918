"""The trial of the trips on its page: nothing without the word, every step guided, the verb's own words, one proof."""

from __future__ import annotations

from dataclasses import replace

import pytest
from still_runs import still_run

from whirlbench.results.stand import proved
from whirlbench.safety.state_table import Stand
from whirlbench.window.trial import trial_work
from whirlbench.window.trial.trial_page import TrialPage
from whirlbench.window.trial.trial_work import Word


@pytest.fixture
def page(qtbot):
    run = still_run()
    proofs, closed = [], []
    made = TrialPage(
        run.loop, "trial.h5", lambda proof: proofs.append(proof) or "proof 1", closed.append, run.port.hands
    )
    made._timer.stop()  # ticked by hand, on virtual time
    qtbot.addWidget(made)
    made.run, made.proofs, made.closed = run, proofs, closed
    yield made
    made.close_work()


def go(page, until, most=6000):
    for _ in range(most):
        if until(page.work):
            return
        page.run.time.sleep(0.01)
        page.tick()
    raise AssertionError((page.work.text, page.work.told))


def begin(page):
    page.typed.setText("Propeller off ")
    page.operator.setText("A. Tester")
    page.begin_button.click()


def few(monkeypatch, *names):
    due = trial_work.TripsTrial(still_run().stand).due()
    kept = tuple(replace(one, wait_s=min(one.wait_s, 4.0)) for one in due if one.trip in names)
    monkeypatch.setattr(trial_work.TripsTrial, "due", lambda self: kept)


def test_nothing_is_armed_before_the_word(page):
    page.begin_button.click()

    assert page.work is None and "'' was typed, not `propeller off`: nothing was armed" in page.told.text()
    assert "PROPELLER OFF" in page.prompt.text()


def test_a_trial_is_guided_shown_and_entered_once(page, monkeypatch):
    few(monkeypatch, "operator abort", "overspeed")
    begin(page)
    go(page, lambda work: work.asked)
    assert page.work.asked == (Word.READY, Word.SKIP) and "move a card to and fro" in page.prompt.text()
    assert page.run.stand.state is Stand.LOCKED  # armed only after the word
    assert "current" in [page.live.item(row, 0).text() for row in range(page.live.rowCount())]
    page.words[Word.READY].click()
    go(page, lambda work: work.asked == (Word.DONE,))
    page.draw()
    assert page.told.property("ink") == "ink"
    assert page.told.text().startswith("overspeed: came after ") and page.run.port.hands.card_rpm == 0.0
    assert "the trial was not finished" in page.headline.text()
    page.words[Word.DONE].click()
    go(page, lambda work: work.asked and work.asked[0] is Word.YES)
    page.words[Word.YES].click()
    go(page, lambda work: work.ended)

    (proof,) = page.proofs
    assert proved(proof) and proof.complete and proof.operator == "A. Tester" and proof.recording == "trial.h5"
    assert {trial.trip: trial.tripped for trial in proof.trials if trial.tripped is not None} == {
        "operator abort": True, "overspeed": True, "second cut": True,
    }  # fmt: skip
    assert page.closed == [True] and page.prompt.text() == "proof 1"
    assert page.headline.text() == "3 of 3 trips came"


def test_a_trip_passed_over_and_one_that_does_not_come_are_no_proof(page, monkeypatch):
    few(monkeypatch, "overspeed", "over current")
    machine = page.run.port.device.machine
    own = machine.trip
    machine.trip = lambda reason, *rest: None if reason.name == "OVER_CURRENT" else own(reason, *rest)
    begin(page)
    go(page, lambda work: work.asked == (Word.READY, Word.SKIP))
    page.words[Word.SKIP].click()
    go(page, lambda work: work.asked and work.asked[0] is Word.YES)
    assert "over current: DID NOT COME: no trip" in page.told.text() and page.told.property("ink") == "over"
    page.words[Word.NOBODY].click()
    go(page, lambda work: work.ended)

    (proof,) = page.proofs
    assert proof.failed == ("over current",) and "overspeed" in proof.untried and not proved(proof)
    assert "DID NOT COME: over current" in page.headline.text()


def test_leaving_aborts_what_is_armed_and_is_entered_as_unfinished(page, monkeypatch):
    few(monkeypatch, "overspeed")
    page._hands = None  # nobody moves the card
    begin(page)
    go(page, lambda work: work.asked)
    page.words[Word.READY].click()
    go(page, lambda work: page.run.port.device.machine.state is Stand.ARMED and "ARMED, now" in work.text)
    page.leave_button.click()
    page.run.time.sleep(0.05)
    page.run.port.read()

    (proof,) = page.proofs
    assert not proof.complete and page.closed == [False] and page.told.text() == "left before its end"
    assert page.told.property("ink") == "over"
    assert page.run.port.device.machine.state is not Stand.ARMED


def test_a_word_that_is_not_asked_for_does_nothing(page, monkeypatch):
    few(monkeypatch, "overspeed")
    begin(page)
    go(page, lambda work: work.asked)
    page.work.say(Word.DONE)
    for _ in range(50):
        page.run.time.sleep(0.01)
        page.tick()

    assert page.work.asked == (Word.READY, Word.SKIP) and page.run.stand.state is Stand.LOCKED


def test_a_log_that_fails_is_said(page, monkeypatch):
    from whirlbench.errors import LogError

    few(monkeypatch, "overspeed")

    def fails(proof):
        raise LogError("disk full")

    page._enter = fails
    begin(page)
    go(page, lambda work: work.asked)
    page.leave_button.click()

    assert "the trial is NOT in the log: disk full" in page.prompt.text()


def test_the_verb_shows_the_trial_and_its_recording_is_closed(qtbot, monkeypatch, tmp_path):
    """`window --trial` on the simulated stand: the page is there, armed only by the word, left by closing it."""
    from still_runs import RIG_TEXT

    from whirlbench.cli.main import DONE, run
    from whirlbench.recording.files import open_recording
    from whirlbench.window import app
    from whirlbench.window.main_window import MainWindow

    seen = []

    def show_briefly(prepare):
        window = MainWindow()
        qtbot.addWidget(window)
        prepare(window)
        window.show()
        (shown,) = [one for one in window.open_pages.all() if isinstance(one, TrialPage)]
        shown.begin_button.click()
        seen.append((window.page_names.item(0).text(), shown.told.text(), shown.work))
        begin(shown)
        qtbot.waitUntil(lambda: shown.work is not None and shown.work.number > 0, timeout=30_000)
        qtbot.waitUntil((tmp_path / "trial.h5").exists, timeout=30_000)  # once the device has said who it is
        window.close()
        seen.append((shown.work.ended, shown._timer.isActive()))

    monkeypatch.setattr(app, "run_window", show_briefly)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig.toml").write_text(RIG_TEXT, encoding="utf-8")
    verb = ["window", "--port", "simulated", "--rig", "rig.toml", "--trial", "-o", "trial.h5", "--log", "sets.sqlite"]
    assert run(verb) == DONE
    assert seen[0][0] == "trial of the trips" and "nothing was armed" in seen[0][1] and seen[0][2] is None
    assert seen[1] == (True, False)
    with open_recording(tmp_path / "trial.h5") as recording:
        assert recording.attributes.origin.startswith("simulated")
