"""A trial of the trips as the window carries it on: what is provoked, what is asked, what came. Knows no Qt.

The trial is that of the terminal, and so are its words; here it goes on turn by turn, so that nothing ever waits.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import Protocol

from whirlbench.errors import BenchError
from whirlbench.log import Proof
from whirlbench.results.answer import Answer
from whirlbench.results.stand import (
    ABOUT,
    PUT_BACK,
    SEEN_CUT,
    WORDS,
    armed_now,
    came_words,
    not_typed,
    once_armed,
    trial_answer,
)
from whirlbench.session.still import CannotBeProvoked, Procedure, Provocation, StillLoop, TripsTrial, lock

Enter = Callable[[Proof], str]  # into the log of proofs; one line on what became of it


class Hands(Protocol):
    """Somebody at a simulated stand."""

    def act(self, what: str) -> None:
        """Does what a trip on trial asks for."""

    def let_go(self) -> None:
        """Everything is plugged in and left alone."""


class Word(StrEnum):
    """What the operator can say; each is a button while it is asked for."""

    READY = "ready"
    SKIP = "skip"
    DONE = "put back"
    YES = "it opened"
    NO = "it did not open"
    NOBODY = "nobody looked"


SEEN = {Word.YES: True, Word.NO: False, Word.NOBODY: None}


class TrialWork:
    """One trial on one stand; ``asked`` are the words that are waited for, ``ended`` says that the proof is entered."""

    def __init__(
        self, loop: StillLoop, typed: str, operator: str, recording: str, enter: Enter, hands: Hands | None = None
    ) -> None:
        """BenchError unless ``typed`` says that the propeller is off: nothing is armed."""
        if typed.strip().lower() != WORDS:
            raise BenchError(not_typed(typed))
        self.trial = TripsTrial(loop.stand)
        self.text, self.told, self.number = ABOUT, "", 0
        self.asked: tuple[Word, ...] = ()
        self.came = False  # whether what is told is that the latest trip came
        self.ended = self.complete = False
        self._loop, self._hands, self._enter = loop, hands, enter
        self._operator, self._recording = operator, recording
        self._word: Word | None = None
        self._due = self.trial.due()
        self._procedure: Procedure[None] = self._course()

    @property
    def count(self) -> int:
        """How many trips are due, the second cut among them, which is judged last."""
        return len(self._due) + 1

    def tick(self) -> None:
        """One turn of the loop and one step of the trial; an error ends it, and what was tried stays entered."""
        if self.ended:
            return
        try:
            self._loop.turn()
            next(self._procedure)
        except StopIteration:
            self._end(True)
        except BenchError as error:
            self._tell_left(f": {error}")
            self._end(False)

    def say(self, word: Word) -> None:
        """The operator's word; one that is not asked for does nothing."""
        if word in self.asked:
            self._word = word

    def leave(self) -> None:
        """Ends the trial before its end: what is armed is aborted, and what was tried is entered as unfinished."""
        if self.ended:
            return
        self.trial.abort()
        self._tell_left("")
        try:
            self._loop.turn()
        except BenchError as error:
            self._tell_left(f": {error}")
        self._end(False)

    def _tell_left(self, why: str) -> None:
        self.told, self.came = f"left before its end{why}", False

    def answer(self) -> Answer:
        """What is proved so far, and what is not."""
        return trial_answer(self._proof(self.complete))

    def _course(self) -> Procedure[None]:
        for number, provocation in enumerate(self._due, start=1):
            self.number = number
            yield from self._one(provocation)
        self.number, self.text = self.count, SEEN_CUT
        word = yield from self._asked(*SEEN)
        self.trial.judge_second_cut(SEEN[word])

    def _one(self, provocation: Provocation) -> Procedure[None]:
        stand = self._loop.stand
        self.text = f"{provocation.trip}: {provocation.how}"
        try:
            yield from self.trial.prepare(provocation)
        except CannotBeProvoked as why:
            self.trial.skip(provocation, str(why))
            return
        if provocation.ask:
            self.text = once_armed(provocation.ask)
            if (yield from self._asked(Word.READY, Word.SKIP)) is Word.SKIP:
                self.trial.skip(provocation, "passed over by the operator")
                return
        found = yield from self.trial.provoke(provocation, lambda: self._begin(provocation))
        self.told, self.came = f"{provocation.trip}: {came_words(found)}", bool(found.tripped)
        if self._hands is not None:
            self._hands.let_go()
        if provocation.ask:
            self.text = PUT_BACK
            yield from self._asked(Word.DONE)
        yield from lock(stand)

    def _begin(self, provocation: Provocation) -> None:
        if provocation.ask:
            self.text = armed_now(provocation.ask)
        if self._hands is not None and provocation.hand:
            self._hands.act(provocation.hand)

    def _asked(self, *words: Word) -> Procedure[Word]:
        """Waits for one of ``words``; the stand is locked meanwhile."""
        self.asked, self._word = words, None
        while self._word is None:
            yield
        self.asked = ()
        return self._word

    def _proof(self, complete: bool) -> Proof:
        return self.trial.proof(self._operator, self._recording, complete)

    def _end(self, complete: bool) -> None:
        self.ended, self.complete, self.asked = True, complete, ()
        try:
            self.text = self._enter(self._proof(complete))
        except BenchError as error:
            self.text = f"the trial is NOT in the log: {error}"
