"""Dashboards and alert rules for Grafana as code, over what the forwarder writes; pure but for `files.write`.

Written against the names in `forwarder/naming.py`, which siblings may not import: a test holds every measurement, tag and field of every
query against them and the shipped profiles. InfluxQL only, which InfluxDB 1.x, 2.x and 3.x all speak.
"""

from loadlog.grafana.files import DASHBOARDS, all_files, write
from loadlog.grafana.scope import EVERY_BENCH, Scope

__all__ = ["DASHBOARDS", "EVERY_BENCH", "Scope", "all_files", "write"]
