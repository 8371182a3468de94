"""The compose file: by its structure, by a compose program where there is one, and its database settings on a real InfluxDB 1.x."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import urllib.error
from pathlib import Path
from typing import Any

import pytest
import yaml

from loadlog.grafana.provisioning import Server, data_sources
from tests.databases import Influx1
from tests.deploy.document import ROOT

FOLDER = ROOT / "deploy" / "compose"
FILE = FOLDER / "compose.yaml"
SECRETS = ("INFLUX_ADMIN_PASSWORD", "INFLUX_WRITE_PASSWORD", "INFLUX_READ_PASSWORD", "GRAFANA_ADMIN_PASSWORD")
SET = {name: f"{name.replace('_', '')}x1" for name in SECRETS}


def services() -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = yaml.safe_load(FILE.read_text(encoding="utf-8"))["services"]
    return found


def compose_program() -> list[str]:
    """`docker compose` or `docker-compose`, whichever is here."""
    docker = shutil.which("docker")
    if docker and subprocess.run([docker, "compose", "version"], capture_output=True, check=False).returncode == 0:
        return [docker, "compose"]
    if single := shutil.which("docker-compose"):
        return [single]
    if os.environ.get("CI") == "true":
        pytest.fail("CI needs docker-compose: tests/servers.sh installs it")
    pytest.skip("neither the compose plugin of docker nor docker-compose is installed (tests/servers.sh)")


def config(folder: Path, file: Path = FILE, **environment: str) -> subprocess.CompletedProcess[str]:
    """`config` checks the file against the published schema of compose files and fills in the environment; it starts nothing."""
    home = {"PATH": os.environ["PATH"], "HOME": str(folder)}
    command = [*compose_program(), "-f", str(file), "config"]
    return subprocess.run(command, env=home | environment, cwd=folder, capture_output=True, text=True, check=False)


def test_compose_accepts_the_file(tmp_path: Path) -> None:
    done = config(tmp_path, **SET)
    assert done.returncode == 0, done.stderr
    filled = yaml.safe_load(done.stdout)["services"]
    assert filled["influxdb"]["environment"]["INFLUXDB_READ_USER_PASSWORD"] == SET["INFLUX_READ_PASSWORD"]
    assert filled["grafana"]["environment"]["LOADLOG_INFLUX_PASSWORD"] == SET["INFLUX_READ_PASSWORD"]


def test_nothing_starts_without_its_passwords(tmp_path: Path) -> None:
    """An empty one is missing too; that each is asked for in this way is checked below."""
    done = config(tmp_path, **SET | {"GRAFANA_ADMIN_PASSWORD": ""})
    assert done.returncode != 0
    assert "GRAFANA_ADMIN_PASSWORD" in done.stderr


def test_compose_refuses_an_unknown_key(tmp_path: Path) -> None:
    """The check itself."""
    wrong = tmp_path / "compose.yaml"
    wrong.write_text(FILE.read_text(encoding="utf-8").replace("    stop_grace_period:", "    stop_grace:"))
    assert config(tmp_path, wrong, **SET).returncode != 0


@pytest.mark.parametrize("name", ["influxdb", "grafana"])
def test_a_service_is_pinned_watched_and_on_loopback(name: str) -> None:
    service = services()[name]
    assert re.fullmatch(r"[a-z/]+:\d+\.\d+\.\d+", service["image"]), "an image has a whole version"
    assert service["restart"] == "unless-stopped"
    assert service["healthcheck"]["test"][0] == "CMD"
    assert all(port.startswith("${LOADLOG_BIND:-127.0.0.1}:") for port in service["ports"])
    assert "privileged" not in service
    for path in (volume.split(":") for volume in service["volumes"]):
        assert path[0] in ("influxdb", "grafana") or path[2:] == ["ro"], path


def test_no_password_stands_in_a_file() -> None:
    for service in services().values():
        for key, value in service["environment"].items():
            assert "PASSWORD" not in key or re.fullmatch(r"\$\{\w+:\?[^}]+\}", value), key
    example = (FOLDER / "env.example").read_text(encoding="utf-8")
    assert dict(re.findall(r"^(\w+)=(.*)$", example, re.M)) == dict.fromkeys(SECRETS, "") | {"COMPOSE_PROJECT_NAME": "loadlog"}
    ignored = subprocess.run(["git", "check-ignore", "-q", "deploy/compose/.env"], cwd=ROOT, check=False)
    assert ignored.returncode == 0, ".env must not be committed"


def test_the_data_source_is_the_generated_one_with_the_users_of_the_compose_file() -> None:
    environment = services()["influxdb"]["environment"]
    server = Server("http://influxdb:8086", environment["INFLUXDB_DB"], environment["INFLUXDB_READ_USER"])
    wanted = yaml.safe_load(data_sources(server)["influxdb1.yaml"])
    ours = yaml.safe_load((FOLDER / "datasource.yaml").read_text(encoding="utf-8"))
    assert ours == wanted
    assert ours["datasources"][0]["secureJsonData"]["password"].removeprefix("$") in services()["grafana"]["environment"]


def test_grafana_finds_dashboards_and_rules_where_they_are_mounted() -> None:
    mounts = dict(volume.split(":")[1::-1] for volume in services()["grafana"]["volumes"] if volume.startswith("."))
    provisioning = "/etc/grafana/provisioning"  # GF_PATHS_PROVISIONING of the image
    (provider,) = (FOLDER / mounts[f"{provisioning}/dashboards"]).glob("*.yaml")
    (path,) = [found["options"]["path"] for found in yaml.safe_load(provider.read_text(encoding="utf-8"))["providers"]]
    assert len(list((FOLDER / mounts[path]).glob("*.json"))) == 4
    assert list((FOLDER / mounts[f"{provisioning}/alerting"]).glob("*.yaml"))
    assert (FOLDER / mounts[f"{provisioning}/datasources/loadlog.yaml"]).is_file()


def test_grafana_is_of_the_generation_that_the_dashboards_are_written_for() -> None:
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    (generation,) = re.findall(r"grafana-foundation-sdk==\d+!(\d+\.\d+)\.", project)
    assert services()["grafana"]["image"].startswith(f"grafana/grafana:{generation}.")


def test_rights_of_the_users_on_a_real_server(tmp_path: Path) -> None:
    """The statements of the image's start script (influxdata-docker, influxdb/1.8/init-influxdb.sh), with the server's own settings."""
    environment = services()["influxdb"]["environment"]
    assert environment["INFLUXDB_HTTP_AUTH_ENABLED"] == "true"
    database, writer, reader = (environment[f"INFLUXDB_{key}"] for key in ("DB", "WRITE_USER", "READ_USER"))
    with Influx1(tmp_path / "influx", auth=True) as server:
        server.create(database)
        for user, right in ((writer, "WRITE"), (reader, "READ")):
            server.query(f"CREATE USER \"{user}\" WITH PASSWORD '{SET['INFLUX_READ_PASSWORD']}'")
            server.query(f'REVOKE ALL PRIVILEGES FROM "{user}"')
            server.query(f'GRANT {right} ON "{database}" TO "{user}"')
        line = b"sample,bench=b voltage=1 1000000000"
        as_writer, as_reader = (f"{user}:{SET['INFLUX_READ_PASSWORD']}" for user in (writer, reader))
        server.get("/write", line, as_writer, db=database)
        assert server.query("SELECT voltage FROM sample", database, as_reader)[0]["values"] == [[1_000_000_000, 1]]
        assert server.get("/ping") == b"", "the health check has no password"
        for user in (as_reader, "", f"{writer}:wrong"):
            with pytest.raises(urllib.error.HTTPError, match=r"40[13]"):
                server.get("/write", line, user, db=database)
        with pytest.raises((urllib.error.HTTPError, AssertionError)):
            server.query("SELECT voltage FROM sample", database, as_writer)
