"""Runs cut into legs on one course axis, between the same two gates."""

from cda.legs.cut import (
    ExcludedRun as ExcludedRun,
)
from cda.legs.cut import (
    LegSet as LegSet,
)
from cda.legs.cut import (
    cut_legs as cut_legs,
)
from cda.legs.cut import (
    session_clock as session_clock,
)
from cda.legs.leg import Leg as Leg
