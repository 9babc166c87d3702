"""Positions and the other free time in one order: the answer for the race."""

from cda.priority.savings import savings_from_cda as savings_from_cda
from cda.priority.savings import time_savings as time_savings
