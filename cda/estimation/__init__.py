"""The joint regression: posterior of CdA and of the variance components."""

from cda.estimation.answers import LegAnswer as LegAnswer
from cda.estimation.answers import leg_answers as leg_answers
from cda.estimation.answers import run_estimates as run_estimates
from cda.estimation.day import DayInputs as DayInputs
from cda.estimation.fit import Fit as Fit
from cda.estimation.fit import fit_days as fit_days
from cda.estimation.laps import Bends as Bends
from cda.estimation.laps import Laps as Laps
from cda.estimation.laps import LoopWind as LoopWind
from cda.estimation.laps import lap_integrals as lap_integrals
from cda.estimation.model import GUST_TIMES_S as GUST_TIMES_S
from cda.estimation.spoiled import RunInQuestion as RunInQuestion
from cda.estimation.spoiled import runs_in_question as runs_in_question
