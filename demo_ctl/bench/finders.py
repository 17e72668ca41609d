"""Line finders and the allotter that chooses among them.

The allotter has the next idle finder ready before it is wanted, in rotation (facts T03a). A marked line (its line
relay up, its sleeve not grounded) starts it; one finder searches at a time. It steps up to the first level with a
marked terminal, round to the terminal, and grounds the line's sleeve: the cut-off relay takes the line relay away,
and after the contacts' transfer the line is on the first switch, which must ground the sleeve back in time.

When that ground goes the finder restores, and keeps the line's sleeve guarded until it is home: only then does the
line get its own battery back (facts T19, T19b).
"""

from __future__ import annotations

from collections.abc import Sequence

from demo_ctl.bench.frame import Frame
from demo_ctl.bench.kernel import Handle
from demo_ctl.bench.lines import Line
from demo_ctl.bench.relays import adjusted
from demo_ctl.bench.switches import TOP, Switch


class Finder:
    """One finder, wired to its own first switch."""

    def __init__(self, frame: Frame, number: int, allotter: Allotter, switch: Switch) -> None:
        self._frame = frame
        self._kernel = frame.kernel
        self.name = f"line finder {number}"
        self._allotter = allotter
        self.switch = switch
        random = frame.random(self.name)
        times = frame.adjustment
        self._transfer_us = adjusted(random, times.transfer)
        self._restore_us = adjusted(random, times.restore)
        self._wait_us = adjusted(random, times.b_hold)
        self._vertical, pace = frame.stepping_relay(random, f"{self.name}/vertical magnet", frame.finder_us, self._up)
        self._vertical.pace = pace
        self._rotary, pace = frame.stepping_relay(random, f"{self.name}/rotary magnet", frame.finder_us, self._round)
        self._rotary.pace = pace
        self.level = 0
        self.terminal = 0
        self.line: Line | None = None
        self._leaving: Line | None = None
        self.busy = False
        self._restoring = False
        self._work: Handle | None = None

    @property
    def idle(self) -> bool:
        """Whether the allotter may choose it: home, and its first switch too."""
        return not self.busy and not self.switch.taken

    def start(self) -> None:
        """Begin to search."""
        self.busy = True
        self._vertical.drive(True)

    def _up(self, operated: bool) -> None:
        """The vertical magnet has pulled (its springs then interrupt it), or has fallen back."""
        if self._restoring:
            return
        if operated:
            self.level += 1
            self._frame.note(f"{self.name}/vertical", self.level)
            if self.level == 1:
                self._frame.note(f"{self.name}/off-normal", 1)
            self._vertical.drive(False)
        elif self._allotter.marked_on(self.level):
            self._rotary.drive(True)
        elif self.level == TOP or not self._allotter.wanted():
            self._give_up()
        else:
            self._vertical.drive(True)

    def _round(self, operated: bool) -> None:
        """The rotary magnet has pulled, or has fallen back: then the search ends or goes on."""
        if self._restoring or self.line is not None:
            return
        if operated:
            self.terminal += 1
            self._frame.note(f"{self.name}/rotary", self.terminal)
            self._rotary.drive(False)
            line = self._allotter.line_at(self.level, self.terminal)
            if line is not None and line.wants_finder and not self._passes(line):
                self._found(line)
        elif self.terminal == TOP or not self._allotter.marked_on(self.level):
            self._give_up()
        else:
            self._rotary.drive(True)

    def _passes(self, line: Line) -> bool:
        strikes = self._frame.ailments.strikes
        return strikes("passes its line", self.name) or strikes("passes its line", f"line {line.name}")

    @property
    def starts(self) -> bool:
        """Whether the allotter's start reaches it this time."""
        return not self._frame.ailments.strikes("start fails", self.name)

    def _give_up(self) -> None:
        self._allotter.done()
        self._restore()

    def _found(self, line: Line) -> None:
        self.line = line
        self.switch.seize(self)
        line.seize(self._line_cut)
        self._allotter.done()

    def _line_cut(self) -> None:
        self._work = self._kernel.at(self._kernel.now_us + self._transfer_us(None), self._through)

    def _through(self) -> None:
        assert self.line is not None
        self.switch.take_line(self.line)
        # The first switch's ground must be back by then; if the caller has gone it never comes.
        self._work = self._kernel.at(self._kernel.now_us + self._wait_us(None), self.check_hold)

    def check_hold(self) -> None:
        """Release if the first switch does not ground the sleeve."""
        if self.line is None or self._restoring or self.switch.held:
            return
        line, self.line = self.line, None
        self._kernel.cancel(self._work)
        self.switch.check_hold()
        line.hear("")
        line.connect(None)
        self._leaving = line
        self._restore()

    def _restore(self) -> None:
        self._restoring = True
        off_normal = bool(self.level or self.terminal)
        if off_normal:
            self._frame.note(f"{self.name}/release magnet", 1)
            if self._frame.ailments.strikes("shaft sticks", self.name):
                return
        restore_us = self._restore_us(None) * self._frame.ailments.scale("restore", self.name) if off_normal else 0
        self._work = self._kernel.at(self._kernel.now_us + round(restore_us), self._home)

    def _home(self) -> None:
        self._work = None
        leaving, self._leaving = self._leaving, None
        if leaving is not None:
            leaving.free()
        if self.terminal:
            self._frame.note(f"{self.name}/rotary", 0)
        if self.level:
            self._frame.note(f"{self.name}/vertical", 0)
            self._frame.note(f"{self.name}/off-normal", 0)
            self._frame.note(f"{self.name}/release magnet", 0)
        self.level = self.terminal = 0
        self._restoring = False
        self.busy = False
        self._allotter.poke()


class Allotter:
    """Chooses the finder, in rotation, and starts it while any line is marked."""

    def __init__(self) -> None:
        self.finders: Sequence[Finder] = ()
        self._lines: dict[tuple[int, int], Line] = {}
        self._chosen = 0
        self._searching = False

    def add_line(self, line: Line) -> None:
        """Put a line on every finder's bank."""
        self._lines[line.place] = line

    def line_at(self, level: int, terminal: int) -> Line | None:
        """Return the line on a bank terminal."""
        return self._lines.get((level, terminal))

    def wanted(self) -> bool:
        """Say whether any line is marked."""
        return any(line.wants_finder for line in self._lines.values())

    def marked_on(self, level: int) -> bool:
        """Say whether any line on this level is marked."""
        return any(place[0] == level and line.wants_finder for place, line in self._lines.items())

    def poke(self) -> None:
        """Something changed: start the chosen finder if there is a line to find."""
        if self._searching or not self.finders or not self.wanted():
            return
        many = len(self.finders)
        for ahead in range(many):
            finder = self.finders[(self._chosen + ahead) % many]
            if finder.idle:
                self._chosen = (self._chosen + ahead + 1) % many
                if not finder.starts:
                    return
                self._searching = True
                finder.start()
                return

    def done(self) -> None:
        """The search is over; another finder may start."""
        self._searching = False
        self.poke()
