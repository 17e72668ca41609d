"""The gate that the timeline stands at, and who lets it through: a tone that is heard here, or a person."""

from __future__ import annotations

from collections.abc import Callable

from demo_ctl.link.client import Client
from demo_ctl.measure.tones import ToneWatch
from demo_ctl.plan.model import Gate, Plan
from demo_ctl.run.watcher import Watcher
from demo_ctl.terms.errors import Place
from demo_ctl.wire import messages as m


class Gates:
    """The gates of one plan.

    go_on: asked while a gate waits for a person (none: such gates wait until their limit). answered: places of the
    script that the person has answered for before the start, and is not asked about again.
    """

    def __init__(
        self,
        plan: Plan,
        client: Client,
        watcher: Watcher,
        go_on: Callable[[Gate], bool] | None,
        answered: frozenset[Place],
    ) -> None:
        self._plan = plan
        self._client = client
        self._watcher = watcher
        self._go_on = go_on
        self._answered = answered
        self._gates = {gate.index: gate for gate in plan.gates}
        self._gate: Gate | None = None  # the one it stands at
        self._tone: ToneWatch | None = None
        self._next_sample = 0

    def began(self, event: m.Event, index: int) -> None:
        """Take that a step began: it may be a gate."""
        gate = self._gates.get(index)
        if gate is not None:
            self._gate = gate
            self._tone = ToneWatch(gate.tone) if gate.tone is not None else None
            most = f"{gate.limit_us / 1e6:g} s at most"
            self._watcher.tell("gate", event.at_us, gate.tell, most, index, gate.port)

    def ended(self, index: int) -> None:
        """Take that a step ended."""
        if self._gate is not None and self._gate.index == index:
            self._gate = self._tone = None

    def listen(self, block: m.Audio) -> None:
        """Listen to a block of sound for the tone that the gate waits for; open the gate when it is there."""
        gate, tone = self._gate, self._tone
        if gate is None or tone is None or block.port != gate.port:
            return
        if block.first != self._next_sample:
            tone.gap()
        self._next_sample = block.first + len(block.data) // 2
        if tone.add(bytes(block.data)):
            self._tone = None
            self._watcher.tell("tone", block.at_us, gate.tell, "heard", gate.index, gate.port)
            self._client.go(gate.number)

    def ask_person(self) -> None:
        """Open a gate that waits for a person, when they have said go on."""
        gate = self._gate
        if gate is None or gate.tone is not None:
            return
        # A plan holds until trunks are busy; the person said so before the start, and is not asked twice.
        busied = self._plan.timeline.steps[gate.index].place in self._answered
        if busied or (self._go_on is not None and self._go_on(gate)):
            self._gate = None
            self._watcher.tell_now("gate", gate.tell, "go on", gate.index, gate.port)
            self._client.go(gate.number)
