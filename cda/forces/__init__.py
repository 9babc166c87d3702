"""The terms of the power-speed equation, and its solution both ways."""

from cda.forces.solution import speed_at_power as speed_at_power
from cda.forces.terms import aero_force as aero_force
from cda.forces.terms import bearing_force as bearing_force
from cda.forces.terms import effective_mass as effective_mass
from cda.forces.terms import gravity_force as gravity_force
from cda.forces.terms import power_at_speed as power_at_speed
from cda.forces.terms import rolling_force as rolling_force
