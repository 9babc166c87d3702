"""Air and gravity at the road: density, pressure with height, wind with height."""

from cda.air.density import FORMULA_RELATIVE_SE as FORMULA_RELATIVE_SE
from cda.air.density import PRESSURE_RANGE_HPA as PRESSURE_RANGE_HPA
from cda.air.density import TEMPERATURE_RANGE_C as TEMPERATURE_RANGE_C
from cda.air.density import AirDensity as AirDensity
from cda.air.density import air_density as air_density
from cda.air.density import air_density_with_uncertainty as air_density_with_uncertainty
from cda.air.density import moist_air_density as moist_air_density
from cda.air.density import saturation_vapour_pressure as saturation_vapour_pressure
from cda.air.gravity import normal_gravity as normal_gravity
from cda.air.pressure import STANDARD_GRAVITY_M_S2 as STANDARD_GRAVITY_M_S2
from cda.air.pressure import STANDARD_PRESSURE_PA as STANDARD_PRESSURE_PA
from cda.air.pressure import check_station_pressure as check_station_pressure
from cda.air.pressure import standard_pressure_ratio as standard_pressure_ratio
from cda.air.pressure import station_pressure as station_pressure
from cda.air.wind import wind_at_height as wind_at_height
