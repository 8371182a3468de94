"""Soak run: minimum, mean and maximum of every quantity over the whole run, bands of its limits, drift."""

from __future__ import annotations

from typing import Any

from grafana_foundation_sdk.builders import common
from grafana_foundation_sdk.models import common as common_models
from grafana_foundation_sdk.models import dashboard as models

from loadlog.grafana.influx import DEVICES, Query
from loadlog.grafana.panels import bands, plot, put_together, spread, variables
from loadlog.grafana.scope import STANDARD, Plotted, Scope

RUN = '"run" =~ /^($run)$/'


def soak(scope: Scope) -> models.Dashboard:
    """See the module."""
    panels: list[Any] = []
    if scope.is_one:
        for device in scope.devices:
            panels.append(device.name)
            for plotted in scope.fields_by_device[device.name]:
                panels += _pair(scope, plotted, f"\"device\" = '{device.name}'", f'"{device.role}"', f"{device.name}: ")
    else:
        for plotted in STANDARD:
            panels += _pair(scope, plotted, '"device" =~ /^($device)$/', DEVICES, "")
        panels += _thermometer(scope)
    about = "One run from beginning to end: each quantity's smallest, mean and largest value in every interval, and how far it has moved. "
    about += "Bands of limits are shown where the dashboard was made for one bench (loadlog dashboards write --bench)."
    choices = variables(scope, "run") if scope.is_one else variables(scope, "bench", "device", "run", several=False)
    return put_together(scope, "soak run", about, choices, panels, "now-24h")


def _where(scope: Scope, device: str) -> str:
    return f"$timeFilter AND {scope.chosen} AND {device} AND {RUN}"


def _pair(scope: Scope, plotted: Plotted, device: str, measurement: str, of: str) -> list[Any]:
    """The quantity, and beside it its drift."""
    name, where = plotted.name, _where(scope, device)
    extremes = (
        f'SELECT min("{scope.low(name)}") AS "min", mean("{name}") AS "mean", max("{scope.high(name)}") AS "max" FROM {measurement} '
        f"WHERE {where} GROUP BY time($__interval) fill(null)"
    )
    about = "Smallest, mean and largest value of each interval: a dip of a single sample shows, however long the run."
    panel = spread(plot(f"{of}{plotted.title}", plotted.unit, [Query(extremes, alias="$col")], scope, about, width=16))
    if plotted.limits is not None:
        panel = panel.thresholds(bands(plotted.limits))
        style = common_models.GraphThresholdsStyleMode.DASHED_AND_AREA
        panel = panel.thresholds_style(common.GraphThresholdsStyleConfig().mode(style))
    moved = (
        f'SELECT cumulative_sum("change") AS "drift" FROM (SELECT difference(mean("{name}")) AS "change" FROM {measurement} '
        f"WHERE {where} GROUP BY time(10m) fill(none)) WHERE $timeFilter"
    )
    about = "How far the mean of ten minutes has moved since the first ten minutes shown. Warm-up is in it: begin the time range after it."
    return [panel, plot(f"{of}{plotted.title}: drift", plotted.unit, [Query(moved, alias="$col")], scope, about, width=8)]


def _thermometer(scope: Scope) -> list[Any]:
    """All the channels of a thermometer, whatever they are called."""
    where = _where(scope, '"device" =~ /^($device)$/')
    query = f'SELECT mean(/_c$/) FROM "thermometer" WHERE {where} GROUP BY time($__interval) fill(null)'
    about = "Mean of each interval of every temperature channel of the thermometer that is chosen."
    return [plot("Thermometer", "celsius", [Query(query, alias="$col")], scope, about, width=24)]
