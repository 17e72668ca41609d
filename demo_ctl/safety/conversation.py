"""What passes between a proving and the person who is walked through it: what is asked, and what a typed word means.

Nothing here knows the board. Whoever waits for a word says what is done meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from demo_ctl.safety.proof_store import StepResult
from demo_ctl.safety.proving import Look, Step

#: What a person may type.
GO = ("", "y", "yes")
STOP = ("n", "no", "q", "quit", "stop", "exit")
SKIP = ("s", "skip")


class Person(Protocol):
    """Who is walked through the proving."""

    def tell(self, text: str) -> None:
        """Show something to know."""
        ...

    def ask(self, step: Step, number: int, of: int) -> None:
        """Show what is to be done now."""
        ...

    def ready(self, step: Step, number: int, of: int) -> None:
        """Say what comes, before ringing voltage is let onto the bus; `line` is asked until an answer comes."""
        ...

    def line(self) -> str | None:
        """Return the next line the person has typed, without waiting; None: nothing. EOFError: nobody is there."""
        ...

    def heed(self) -> None:
        """Raise KeyboardInterrupt when the person wants to stop. Asked some twenty times a second."""
        ...

    def result(self, result: StepResult) -> None:
        """Show how a step ended."""
        ...


class Stopped(Exception):
    """The person wants to stop."""


class Conversation:
    """One proving's talk with its person.

    cost: what it would cost to leave an optional step out, a sentence, "" for nothing.
    """

    def __init__(self, person: Person, cost: Callable[[Step], str]) -> None:
        self.person = person
        self._cost = cost
        self._warned = False

    def agree(self, step: Step, number: int, of: int, meanwhile: Callable[[], None]) -> None:
        """Wait for the person's word that ringing voltage may come on. Stopped.

        Only Enter or yes, typed after the question, is that word. meanwhile: waits a little, and keeps the board's
        session alive.
        """
        while self.person.line() is not None:
            pass
        self.person.ready(step, number, of)
        while True:
            word = self._word()
            if word in GO:
                return
            if word in STOP:
                raise Stopped
            if word is not None:
                self.person.tell("Nothing was done. Press Enter (or type yes) to go on, type no to stop the proving.")
            meanwhile()

    def leaves_out(self, step: Step) -> bool:
        """Take what was typed while a step waits; return whether it is to be left out. Stopped."""
        word = self._word() or ""
        if word in STOP:
            raise Stopped
        if word in SKIP:
            if step.optional:
                return self._all_the_same(step)
            self.person.tell("This step cannot be left out. (Type no to stop the proving.)")
        elif word:
            self.person.tell(
                "That is no word known here: "
                + ("type s to leave this step out, " if step.optional else "")
                + "no to stop the proving; what is done at the unit, the board sees by itself."
            )
        return False

    def remind(self, found: Look, left_us: int) -> None:
        """Say what a step waits for, and what a person does about it, where somebody knows. left_us: of patience."""
        waits = f"Still waiting for: {found.waits}."
        self.person.tell(
            f"{f'{found.do} ({waits})' if found.do else waits} (In {left_us / 60e6:.1f} minutes the proving ends by "
            "itself, as failed. Type no to stop it.)"
        )

    def _word(self) -> str | None:
        """Return the next typed word, None where nothing was typed."""
        line = self.person.line()
        return None if line is None else line.strip().lower()

    def _all_the_same(self, step: Step) -> bool:
        """Say, once a proving, what leaving a step out costs; whoever still wants that says so again."""
        cost = "" if self._warned else self._cost(step)
        if cost:
            self._warned = True
            self.person.tell(f"{cost}\nDo what is asked; or type s and Enter once more to leave it out all the same.")
        return not cost
