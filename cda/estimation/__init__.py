"""The joint regression: posterior of CdA and of the variance components."""

from cda.estimation.day import DayInputs as DayInputs
from cda.estimation.fit import (
    Fit as Fit,
)
from cda.estimation.fit import (
    fit_days as fit_days,
)
from cda.estimation.fit import (
    leg_answers as leg_answers,
)
from cda.estimation.fit import (
    run_estimates as run_estimates,
)
