"""Performs an exhibit's calls with the board, recorded or not, and counts what the switches did meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.office.model import Unit
from demo_ctl.plan.model import Plan
from demo_ctl.run.perform import perform
from demo_ctl.run.result import CallResult, Status
from demo_ctl.show import wear
from demo_ctl.show.acts import Act
from demo_ctl.show.board_time import BoardTime
from demo_ctl.show.model import Happening
from demo_ctl.show.screens import Screens
from demo_ctl.terms.errors import DemoError, InputError
from demo_ctl.wire import messages as m


class Performer:
    """One call at a time, in the keeper's thread.

    ready: as for `perform`. recorder: where a call is kept, if anywhere; gets its number from 1. now_us: the host's
    clock. inputs: takes the board's inputs. light: has the lamps follow. asked_to_stop: asked ten times a second.
    """

    def __init__(
        self,
        unit: Unit,
        screens: Screens,
        *,
        ready: Callable[[Client, Plan], None],
        recorder: Callable[[Act, int], RecordWriter | None] | None,
        now_us: Callable[[], int],
        inputs: Callable[[int], None],
        light: Callable[[], None],
        asked_to_stop: Callable[[], bool],
    ) -> None:
        self.results: list[tuple[int, CallResult]] = []  # the newest few
        self.placed = 0
        self.not_recorded = ""  # a sentence
        self._unit, self._screens, self._ready, self._recorder = unit, screens, ready, recorder
        self._inputs, self._light, self._asked_to_stop = inputs, light, asked_to_stop
        self._board_time = BoardTime(now_us)
        self._happened: list[Happening] = []
        self._lossy = False

    def perform(self, act: Act, client: Client) -> CallResult:
        """Perform a call for visitors. Raises DemoError: it was not begun."""
        self._happened, self._lossy = [], False
        self._board_time.forget()
        self.placed += 1
        result = self._recorded(act, client)
        self.results = [*self.results[-9:], (self.placed, result)]
        self._happened += self._screens.finish()
        return result

    def worked(self, result: CallResult) -> Mapping[str, int] | None:
        """Return what the call that was performed last took, by operations; None: not all of it was seen."""
        whole = result.status is Status.FINISHED and not self._lossy
        return wear.worked(self._happened, self._unit) if whole else None

    def pass_time(self) -> None:
        """Between events the pictures go on."""
        board_us = self._board_time.now_us()
        if board_us is not None:
            self._happened += self._screens.time(board_us)

    def _recorded(self, act: Act, client: Client) -> CallResult:
        """Perform a call for visitors, recorded or not: a disk that fails keeps none from being placed."""
        recorder = self._record_of(act)
        if recorder is not None:
            try:
                result = self._performed(act, client, recorder)
            except InputError as error:
                if recorder.trouble is None:
                    raise
                self.not_recorded = f"Calls are not recorded: {error.what}."
            else:
                trouble = result.record_trouble
                self.not_recorded = f"The last call was recorded in part only: {trouble}." if trouble else ""
                return result
        return self._performed(act, client, None)

    def _performed(self, act: Act, client: Client, recorder: RecordWriter | None) -> CallResult:
        return perform(
            act.plan,
            client,
            recorder,
            ready=self._ready,
            on_event=self._event,
            asked_to_stop=self._asked_to_stop,
        )

    def _record_of(self, act: Act) -> RecordWriter | None:
        if self._recorder is None:
            return None
        try:
            return self._recorder(act, self.placed)
        except DemoError as error:
            self.not_recorded = f"Calls are not recorded: {error.what}."
            return None

    def _event(self, event: m.Event) -> None:
        self._board_time.heard(event.at_us)
        self._lossy = self._lossy or event.kind in (m.EV_EDGES_LOST, m.EV_OVERFLOW)
        if event.kind == m.EV_INPUTS:
            self._inputs(event.value)
        self._happened += self._screens.event(event)
        self._light()
