"""Riding the race in numbers: steady on the flat, forward over distance on a course."""

from cda.integration.forward import TOLERANCE_S_PER_KM as TOLERANCE_S_PER_KM
from cda.integration.forward import Ridden as Ridden
from cda.integration.forward import Road as Road
from cda.integration.forward import braking_limits as braking_limits
from cda.integration.forward import integrate as integrate
from cda.integration.forward import over_directions as over_directions
from cda.integration.forward import plain_road as plain_road
from cda.integration.rides import DIRECTION_NODES as DIRECTION_NODES
from cda.integration.rides import Rides as Rides
from cda.integration.rides import flat_time as flat_time
from cda.integration.rides import join as join
from cda.integration.rides import steady_speed as steady_speed
