"""Invented test rides whose truth is known, with a sum of forces of their own.

The rooms that analyse rides are never imported here: a sign wrong there cannot hide. What is
drawn at random comes from the seed alone.

The truth to judge an estimate by is `truth["cda_m2"]`, each position's mean over all takings of
that position; the scatter of the runs actually ridden belongs to the estimate's uncertainty.
"""

from cda.simulate.planned import simulate_plan as simulate_plan
from cda.simulate.scenario import PRESETS as PRESETS
from cda.simulate.scenario import Scenario as Scenario
from cda.simulate.simulated import SimulatedSession as SimulatedSession
from cda.simulate.simulated import simulate_session as simulate_session
from cda.simulate.write import changed_by_hand as changed_by_hand
from cda.simulate.write import write_session as write_session
