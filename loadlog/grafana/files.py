"""Every file that is written, by its path: dashboards as JSON, provisioning as YAML."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import yaml
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models import dashboard as models

from loadlog.grafana.alerts import alert_file
from loadlog.grafana.health import health
from loadlog.grafana.overview import overview
from loadlog.grafana.post_mortem import post_mortem
from loadlog.grafana.provisioning import Server, data_sources, provider
from loadlog.grafana.scope import Scope
from loadlog.grafana.soak import soak
from loadlog.model.errors import StoreError

DASHBOARDS: Mapping[str, Callable[[Scope], models.Dashboard]] = {
    "overview": overview,
    "soak-run": soak,
    "post-mortem": post_mortem,
    "service-health": health,
}
_ALERTS_HEAD = """\
# Grafana alert rules of loadlog. Copy this file into provisioning/alerting/ of Grafana. Who is notified is set in Grafana (contact points).
"""


class _Plain(yaml.SafeDumper):
    """Without references from one place to another, which people do not expect in a file that they edit."""

    def ignore_aliases(self, data: Any) -> bool:
        """Always."""
        return True


def all_files(scope: Scope, server: Server | None = None) -> dict[str, str]:
    """Path below the target folder -> text. The same for the same bench, so that what is committed can be compared."""
    server = server or Server()
    alerts = yaml.dump(alert_file(scope), Dumper=_Plain, sort_keys=False, allow_unicode=True, width=1000)
    prefix = f"loadlog-{scope.bench}-" if scope.is_one else "loadlog-"
    out = {f"{prefix}{name}.json": as_json(make(scope)) for name, make in DASHBOARDS.items()}
    out |= {f"datasources/{name}": text for name, text in data_sources(server).items()}
    out["provisioning/dashboards/loadlog.yaml"] = provider()
    out[f"provisioning/alerting/{prefix.rstrip('-')}.yaml"] = _ALERTS_HEAD + alerts
    return out


def as_json(board: models.Dashboard) -> str:
    """Text of a dashboard file."""
    return json.dumps(board, cls=JSONEncoder, indent=2, sort_keys=True, ensure_ascii=False) + "\n"


def write(folder: Path, files: Mapping[str, str]) -> None:
    """Write them below ``folder``, which is made.

    Raises:
        StoreError: a file cannot be written; names it.
    """
    for name, text in files.items():
        path = folder / name
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        except OSError as exc:
            raise StoreError(f"cannot be written: {exc.strerror}", where=str(path), hint="give another folder") from exc
