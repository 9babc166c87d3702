"""Many tests in one SQLite file: a squad's season on one machine, or on a cluster."""

from cda.archive.cluster import run_on_cluster as run_on_cluster
from cda.archive.season import read_season as read_season
from cda.archive.store import Archive as Archive
from cda.archive.update import Update as Update
from cda.archive.update import update_archive as update_archive
from cda.archive.workers import processors as processors
from cda.archive.workers import run_locally as run_locally
