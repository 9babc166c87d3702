"""Where on the road: the course axis, and the stretches of a bare recording ridden both ways."""

from cda.passes.axis import CourseAxis as CourseAxis
from cda.passes.axis import fit_axis as fit_axis
