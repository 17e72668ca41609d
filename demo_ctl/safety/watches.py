"""The watches around the interlock (budget, bus, supply permit, petition) under exploration: the list of all."""

from __future__ import annotations

from collections.abc import Iterator

from demo_ctl.safety.budget_probe import BudgetProbe, BurstProbe, SessionBudgetProbe
from demo_ctl.safety.bus_probe import BusProbe
from demo_ctl.safety.permit_probe import PermitProbe
from demo_ctl.safety.petition_probe import SessionProbe, WindowProbe
from demo_ctl.safety.probe import Probe, WatchResult, explore_watch, fresh

WATCHES: tuple[type[Probe], ...] = (
    BudgetProbe,
    BurstProbe,
    SessionBudgetProbe,
    BusProbe,
    PermitProbe,
    WindowProbe,
    SessionProbe,
)


def explore_watches() -> Iterator[WatchResult]:
    """Explore the shipped ones; yield each as soon as it is done."""
    for probe in WATCHES:
        yield explore_watch(probe(fresh(probe.module, **probe.constants)))
