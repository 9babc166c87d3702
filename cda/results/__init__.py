"""All frozen result types; no logic beyond printing and exporting themselves."""

from cda.results.estimate import (
    BudgetLine as BudgetLine,
)
from cda.results.estimate import (
    Difference as Difference,
)
from cda.results.estimate import (
    Estimate as Estimate,
)
from cda.results.estimate import (
    InputFile as InputFile,
)
from cda.results.estimate import (
    Joint as Joint,
)
from cda.results.estimate import (
    LegCurve as LegCurve,
)
from cda.results.estimate import (
    LegWind as LegWind,
)
from cda.results.estimate import (
    PositionEstimate as PositionEstimate,
)
from cda.results.estimate import (
    RoadProfile as RoadProfile,
)
from cda.results.estimate import (
    RunEstimate as RunEstimate,
)
from cda.results.estimate import (
    SessionSummary as SessionSummary,
)
from cda.results.estimate import (
    ValueWithUncertainty as ValueWithUncertainty,
)
from cda.results.estimate import (
    Variance as Variance,
)
from cda.results.finding import Finding as Finding
from cda.results.savings import (
    CourseProfile as CourseProfile,
)
from cda.results.savings import (
    LedgerLine as LedgerLine,
)
from cda.results.savings import (
    OrderEntry as OrderEntry,
)
from cda.results.savings import (
    PositionSavings as PositionSavings,
)
from cda.results.savings import (
    RaceSummary as RaceSummary,
)
from cda.results.savings import (
    Savings as Savings,
)
from cda.results.savings import (
    Total as Total,
)
