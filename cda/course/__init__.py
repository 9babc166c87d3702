"""The race course: its file, its heights made fit to ride, bearings and limits of speed."""

from cda.course.build import Course as Course
from cda.course.build import build_course as build_course
from cda.course.read import CoursePoints as CoursePoints
from cda.course.read import read_course as read_course
