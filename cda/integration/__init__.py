"""Riding the race in numbers: steady on the flat, forward over distance on a course."""

from cda.integration.rides import Rides as Rides
from cda.integration.rides import flat_time as flat_time
from cda.integration.rides import join as join
from cda.integration.rides import steady_speed as steady_speed
