"""What the loop asks of the board by itself, and who is told the answer."""

from __future__ import annotations

from demo_ctl.link.errands import Errands
from demo_ctl.link.lease import LEASE_MS, Lease
from demo_ctl.wire import messages as m

YES = m.Answer(0, m.OK, 8)


def held() -> Errands:
    errands = Errands()
    errands.lease = Lease()
    assert errands.renewal(0) == m.Permit(LEASE_MS, m.R_LEASE)
    return errands


def test_each_answer_reaches_the_errand_that_was_out_and_no_other() -> None:
    errands = held()
    lease = errands.lease
    assert lease is not None
    errands.lamps.show(0b101)
    assert errands.out
    errands.answered(YES, 1000)
    assert (errands.out, lease.held, lease.renewed, errands.lamps.shown) == (False, True, 1, False)
    assert errands.lighting(2000) == m.Lamps(0b101, 0)
    assert errands.out
    errands.answered(YES, 3000)
    assert (errands.out, lease.renewed, errands.lamps.shown, errands.lamps.count) == (False, 1, True, 8)
    assert errands.renewal(4000) is None
    assert errands.lighting(4000) is None
    assert not errands.out


def test_a_lease_that_was_given_back_is_not_told_of_an_answer_that_was_still_out() -> None:
    errands = held()
    lease, errands.lease = errands.lease, None
    assert lease is not None
    lease.end()
    errands.answered(YES, 1000)
    assert (errands.out, lease.held, lease.renewed) == (False, False, 0)


def test_a_new_session_has_nothing_out_and_lights_the_lamps_again() -> None:
    errands = Errands()
    errands.lamps.show(1)
    assert errands.lighting(0) == m.Lamps(1, 0)
    errands.answered(YES, 0)
    assert errands.lighting(1_000_000) is None
    errands.forget()
    assert not errands.out
    assert errands.lighting(2_000_000) == m.Lamps(1, 0)
