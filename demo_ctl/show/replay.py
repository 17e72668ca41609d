"""A recorded call as a replay: pictures with times, to be played, stepped through, scrubbed and looped.

A replay is a value: nothing in it runs. Whoever shows it has a clock of the show, 0 to `total_us`, and asks for the
picture of an instant, or goes from frame to frame.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Any

from demo_ctl.ledger.read import Record, TruthRecord
from demo_ctl.office.model import Unit
from demo_ctl.plan.model import Plan
from demo_ctl.show.captions import LANGUAGES, Text, captions
from demo_ctl.show.happen import happenings
from demo_ctl.show.model import Happening, Scene
from demo_ctl.show.scene import as_json, fold, start
from demo_ctl.show.unfold import Frame, Timeline, Unfolding, timeline
from demo_ctl.terms.errors import InputError, Place
from demo_ctl.wire import messages as m


@dataclass(frozen=True)
class Replay:
    """What happened, and when each of it is shown."""

    first: Scene
    happenings: tuple[Happening, ...]
    timeline: Timeline

    @property
    def frames(self) -> tuple[Frame, ...]:
        """In the order of the show."""
        return self.timeline.frames

    @property
    def total_us(self) -> int:
        """The length of the show."""
        return self.timeline.total_us

    @cached_property
    def scenes(self) -> tuple[Scene, ...]:
        """The scene of each frame, in the order of the frames."""
        by_number = {each.number: each for each in self.happenings}
        found: list[Scene] = []
        settled = {0: self.first}  # scenes with every happening up to a number, and no other
        now = self.first
        for frame in self.frames:
            if frame.mode == "back":
                now = settled[frame.number]
            elif frame.number:
                now = fold(now, by_number[frame.number])
                if frame.mode == "real":
                    settled[frame.number] = now
            found.append(now)
        return tuple(found)

    @cached_property
    def _times(self) -> tuple[int, ...]:
        return tuple(frame.show_us for frame in self.frames)

    def index_at(self, show_us: int) -> int:
        """Return the frame that is shown at an instant of the show; before it the first, after it the last."""
        return max(0, bisect_right(self._times, show_us) - 1)

    def scene_at(self, show_us: int) -> Scene:
        """Return the picture of an instant of the show."""
        return self.scenes[self.index_at(show_us)]

    def looped(self, show_us: int) -> int:
        """Return where a show that starts again and again is after so long."""
        return show_us % self.total_us

    def forward(self, index: int) -> int:
        """Return the frame after one, that is seen: some are over in the same instant. The last one stays."""
        last = len(self.frames) - 1
        index = min(index + 1, last)
        while index < last and not self.frames[index].hold_us:
            index += 1
        return index

    def back(self, index: int) -> int:
        """Return the frame before one, that is seen. The first one stays."""
        index = max(index - 1, 0)
        while index and not self.frames[index].hold_us:
            index -= 1
        return index

    def frame_of(self, number: int) -> int:
        """Return the first frame that shows a happening; ValueError if none does."""
        for index, frame in enumerate(self.frames):
            if frame.number == number and frame.mode != "back":
                return index
        raise ValueError(f"this replay shows no happening {number}")

    def caption(self, index: int) -> str:
        """Return the key of the caption that stands under a frame: its own, or the latest one before it."""
        return next((frame.caption_key for frame in reversed(self.frames[: index + 1]) if frame.caption_key), "")

    def as_json(
        self, languages: Sequence[str] = LANGUAGES, overrides: Mapping[str, Text] | None = None
    ) -> dict[str, Any]:
        """Return the whole replay for JSON: `first` scene, and for each frame what changed of it (SCENE.md)."""
        frames = []
        before = as_json(self.first)
        for frame, scene in zip(self.frames, self.scenes, strict=True):
            now = as_json(scene)
            changed = {key: value for key, value in now.items() if value != before[key]}
            before = now
            told = captions(frame.caption_key, scene, languages, overrides) if frame.caption_key else {}
            frames.append(
                {
                    "show_us": frame.show_us,
                    "hold_us": frame.hold_us,
                    "mode": frame.mode,
                    "caption": told,
                    "scene": changed,
                }
            )
        return {
            "pace": str(self.timeline.pace),
            "total_us": self.total_us,
            "notes": list(self.timeline.notes),
            "first": as_json(self.first),
            "frames": frames,
        }


def replay(
    plan: Plan,
    unit: Unit,
    events: Iterable[m.Event],
    truth: TruthRecord | None = None,
    *,
    boot: int | None = None,
    pace: Fraction = Fraction(1),
    unfolding: Unfolding | None = None,
) -> Replay:
    """Return the replay of a call's events. truth: the bench's, of which the rows of `boot` (its first) count."""
    rows = None if truth is None else [row for row in truth.rows if row.boot == (truth.boot if boot is None else boot)]
    found = happenings(plan, unit, events, rows)
    return Replay(start(plan, unit), found, timeline(found, unit, pace, unfolding))


def replay_record(
    record: Record,
    unit: Unit,
    truth: TruthRecord | None = None,
    *,
    pace: Fraction = Fraction(1),
    unfolding: Unfolding | None = None,
) -> Replay:
    """Return the replay of a recorded call. Raises InputError when unit or truth are not this record's."""
    if record.unit != unit.name:
        raise InputError(
            f"this call was recorded on {record.unit!r}, not on {unit.name!r}",
            where=Place(record.path),
            next_step="Name the unit's own file.",
        )
    boot = record.observation.welcome.boot
    if truth is not None and (truth.unit != record.unit or boot not in {row.boot for row in truth.rows}):
        raise InputError(
            "this truth is not of the bench that this call was recorded on",
            where=Place(truth.path),
            next_step="Name the file that the same command wrote with --truth.",
        )
    events = record.observation.events
    return replay(record.plan, unit, events, truth, boot=boot, pace=pace, unfolding=unfolding)
