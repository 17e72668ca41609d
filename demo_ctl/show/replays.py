"""The recorded calls of a show: which film is shown, and showing it. A screen that fails is told in words."""

from __future__ import annotations

from collections.abc import Callable

from demo_ctl.show import engine
from demo_ctl.show.lamps import Lights
from demo_ctl.show.outcomes import Outcomes
from demo_ctl.show.programme import Programme
from demo_ctl.show.screens import Film
from demo_ctl.show.show_house import Audience
from demo_ctl.terms.errors import DemoError, InputError


class Replays:
    """Those of one show."""

    def __init__(
        self, programme: Programme, outcomes: Outcomes, audience: Audience | None, lights: Lights | None
    ) -> None:
        self._programme, self._outcomes, self._audience, self._lights = programme, outcomes, audience, lights

    def show(self, doing: engine.Replay, leave: Callable[[], bool]) -> str:
        """Show one, until it ends or `leave` says so; waits. Return why it could not be shown; empty: it was."""
        if self._audience is None:
            return "There is no screen to show a replay on."
        part = self._programme.parts[doing.part]
        if self._lights is not None:
            self._lights.follows = part.lamps
        try:
            self._audience.replay(self._film(doing), part, leave)
        except DemoError as error:
            return f"The replay cannot be shown: {error.what}."
        except Exception as error:
            return f"The replay cannot be shown: {type(error).__name__}: {error}."
        return ""

    def _film(self, doing: engine.Replay) -> Film:
        """What is shown now: what was seen of this call, if it ended well, else what the sheet has for that case."""
        part = self._programme.parts[doing.part]
        film = self._programme.fallback(doing.part)
        if not doing.seen and film is not None:
            return film
        well = self._outcomes.seen(part.call, well=True)
        if film is not None and well is None:
            return film
        result = well or self._outcomes.seen(part.call, well=False)
        if result is None:
            raise InputError("this call was not placed, so there is nothing to show again")
        return self._programme.seen_again(doing.part, result.plan, result.observation.events, doing.pace)
