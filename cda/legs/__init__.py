"""Runs cut into legs on one course axis, between the same two gates, or into laps of one loop."""

from cda.legs.cut import cut_legs as cut_legs
from cda.legs.leg import Leg as Leg
from cda.legs.leg_set import ExcludedRun as ExcludedRun
from cda.legs.leg_set import LegSet as LegSet
from cda.legs.leg_set import session_clock as session_clock
