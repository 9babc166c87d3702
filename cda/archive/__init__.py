"""Many tests in one SQLite file: a squad's season on one machine, or on a cluster.

`cda.archive.season` reads it; what is imported here starts fast in every worker.
"""

from cda.archive.cluster import run_on_cluster as run_on_cluster
from cda.archive.discovery import find_tests as find_tests
from cda.archive.store import Archive as Archive
from cda.archive.update import Update as Update
from cda.archive.update import update_archive as update_archive
from cda.archive.workers import processors as processors
from cda.archive.workers import run_locally as run_locally
