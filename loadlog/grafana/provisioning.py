"""Files for Grafana's provisioning: the data source for each generation of InfluxDB, and where the dashboards lie.

Source: "Provision Grafana" and "Configure the InfluxDB data source" (Grafana documentation, 11.6), "Query with InfluxQL" (InfluxData
documentation, 2.x and 3 Core). Text and not data, since the comments are what a reader needs.
"""

from __future__ import annotations

from dataclasses import dataclass

from loadlog.grafana.influx import SOURCE_UID

DASHBOARDS_DIR = "/var/lib/grafana/dashboards/loadlog"


@dataclass(frozen=True, slots=True)
class Server:
    """Where the samples are forwarded to. ``database``: of InfluxDB 1.x and 3.x, or the one that is mapped to a bucket of 2.x."""

    url: str = "http://127.0.0.1:8086"
    database: str = "bench"
    username: str = ""


_HEAD = """\
# Grafana data source for InfluxDB {generation}, in InfluxQL. Copy it into provisioning/datasources/ of Grafana, and only this one of the
# three: the dashboards look for a data source named "{uid}", the alert rules for its uid.
{about}
apiVersion: 1
datasources:
  - name: {uid}
    uid: {uid}
    type: influxdb
    access: proxy
    url: {url}
{login}    jsonData:
      dbName: {database}
      httpMode: POST
      timeInterval: 1s
{secret}"""

_ABOUT_1 = """\
# A server with authentication: set user, and LOADLOG_INFLUX_PASSWORD in the environment of Grafana; give that user no more than READ."""
_ABOUT_2 = """\
# InfluxQL on 2.x needs a database name that is mapped to the bucket, once, on the server:
#   influx v1 dbrp create --db {database} --rp autogen --default --bucket-id ID      (ID: from influx bucket list)
# The token stands in LOADLOG_INFLUX_TOKEN in the environment of Grafana; a read token of that bucket is enough."""
_ABOUT_3 = """\
# The token stands in LOADLOG_INFLUX_TOKEN in the environment of Grafana; a read token of that database is enough."""


def data_sources(server: Server) -> dict[str, str]:
    """File name -> text, for InfluxDB 1.x, 2.x and 3.x."""
    header = "      httpHeaderName1: Authorization\n    secureJsonData:\n      httpHeaderValue1: {} $LOADLOG_INFLUX_TOKEN\n"
    login = f"    user: {_quoted(server.username)}\n" if server.username else "    # user: grafana\n"
    password = "    secureJsonData:\n      password: $LOADLOG_INFLUX_PASSWORD\n"
    return {
        "influxdb1.yaml": _source(server, "1.x", _ABOUT_1, login, password),
        "influxdb2.yaml": _source(server, "2.x", _ABOUT_2, "", header.format("Token")),
        "influxdb3.yaml": _source(server, "3.x", _ABOUT_3, "", header.format("Bearer")),
    }


def _source(server: Server, generation: str, about: str, login: str, secret: str) -> str:
    about = about.replace("{database}", server.database)
    return _HEAD.format(
        generation=generation,
        uid=SOURCE_UID,
        about=about,
        url=_quoted(server.url),
        login=login,
        database=_quoted(server.database),
        secret=secret,
    )


def _quoted(text: str) -> str:
    """A YAML scalar; Grafana reads ``$$`` as a dollar sign, and ``$NAME`` as an environment variable."""
    return "'" + text.replace("'", "''").replace("$", "$$") + "'"


def provider() -> str:
    """Where Grafana finds the dashboards."""
    return f"""\
# Grafana dashboards of loadlog. Copy this file into provisioning/dashboards/ of Grafana, and the *.json files to the path below.
apiVersion: 1
providers:
  - name: loadlog
    folder: loadlog
    type: file
    allowUiUpdates: true
    updateIntervalSeconds: 60
    options:
      path: {DASHBOARDS_DIR}
"""
