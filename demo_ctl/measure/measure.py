"""Every expectation of a plan, measured from what the board reported. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from demo_ctl.measure import dialling, listening, ringing, supervision
from demo_ctl.measure.model import Measurement, Observation
from demo_ctl.measure.sight import Sight
from demo_ctl.plan.model import Check, Expectation, Plan

#: The one function of each kind of check.
MEASURES: Mapping[Check, Callable[[Sight, Expectation], Measurement]] = MappingProxyType(
    {**dialling.KINDS, **ringing.KINDS, **supervision.KINDS, **listening.KINDS}
)


def measure(plan: Plan, observation: Observation) -> tuple[Measurement, ...]:
    """Measure each expectation of `plan`, in its order. Times are in milliseconds, with standard uncertainties."""
    sight = Sight(plan, observation)
    return tuple(_measured(sight, expectation) for expectation in plan.expectations)


def _measured(sight: Sight, expectation: Expectation) -> Measurement:
    if expectation.left_out:
        return Measurement(expectation.id, None, False, reason=expectation.left_out)
    return MEASURES[expectation.check](sight, expectation)
