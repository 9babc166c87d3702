"""Where on the road: the course axis, and the stretches of a bare recording ridden both ways."""

from cda.passes.axis import CourseAxis as CourseAxis
from cda.passes.axis import fit_axis as fit_axis
from cda.passes.stretches import Pass as Pass
from cda.passes.stretches import Stretch as Stretch
from cda.passes.stretches import find_stretches as find_stretches
