"""Post-mortem: some seconds or minutes in full detail, the events among them as marks and as a table, voltage against current, states."""

from __future__ import annotations

from typing import Any

from grafana_foundation_sdk.builders import common, xychart
from grafana_foundation_sdk.models import common as common_models
from grafana_foundation_sdk.models import dashboard as models
from grafana_foundation_sdk.models import xychart as xychart_models

from loadlog.grafana.influx import DEVICES, SOURCE, Query
from loadlog.grafana.panels import ORANGE, RED, Property, narrow, plot, put_together, rows, states, variables, written
from loadlog.grafana.scope import STANDARD, Scope

CHOSEN = '"device" =~ /^($device)$/ AND "run" =~ /^($run)$/'
STATES = ("input_on", "sense_remote", "protection", "mode")
ZOOM_MS = 60_000


def post_mortem(scope: Scope) -> models.Dashboard:
    """See the module."""
    panels: list[Any] = [_events(scope)]
    for plotted in STANDARD[:2]:
        panels.append(_detail(scope, plotted.name, plotted.title, plotted.unit, 24))
    for plotted in STANDARD[2:]:
        panels.append(_detail(scope, plotted.name, plotted.title, plotted.unit, 12))
    panels += [_against(scope), _quality(scope), _states(scope)]
    about = "What happened, in full detail: set the time range to the minutes in question, or click the time of an event in the table. "
    about += "Causes, uncertainties and the timeline are in loadlog review; this shows the samples."
    return put_together(scope, "post-mortem", about, variables(scope, "bench", "device", "run"), panels, "now-5m")


def _where(scope: Scope) -> str:
    return f"$timeFilter AND {scope.chosen} AND {CHOSEN}"


def _events(scope: Scope) -> Any:
    query = (
        'SELECT "bench", "device", "kind", "severity", "state", "confidence", "id", "text", "acknowledged_by", '
        f'"acknowledged_at", "note" FROM "bench_event" WHERE $timeFilter AND {scope.chosen}'
    )
    about = "Every state of every event of the bench in the time range: active at its onset, cleared at its end; with who acknowledged it. "
    about += "A click on the time shows the minute around it."
    link = {
        "title": "the minute around it",
        "url": f"/d/{scope.uid('post-mortem')}?${{__all_variables}}&time=${{__value.numeric}}&time.window={ZOOM_MS}",
    }
    coloured = [{"type": "value", "options": {"alarm": {"color": RED}, "warning": {"color": ORANGE}, "info": {"color": "blue"}}}]
    widths = {"text": 700, "id": 70, "acknowledged_by": 145, "acknowledged_at": 220, "note": 400}
    panel = narrow(rows("Events", query, about, height=7), **widths)
    panel = panel.override_by_name("Time", [Property("unit", "dateTimeAsIso"), Property("links", [link])])
    return panel.override_by_name("severity", [Property("mappings", coloured), Property("custom.cellOptions", {"type": "color-text"})])


def _detail(scope: Scope, name: str, title: str, unit: str, width: int) -> Any:
    query = (
        f'SELECT min("{scope.low(name)}") AS "min", max("{scope.high(name)}") AS "max" FROM {DEVICES} '
        f'WHERE {_where(scope)} GROUP BY time($__interval), "device" fill(null)'
    )
    about = "Smallest and largest value of each interval; zoomed in far enough, every single sample."
    return plot(title, unit, [Query(query, alias="$tag_device $col")], scope, about, width=width)


def _against(scope: Scope) -> Any:
    query = (
        'SELECT mean("current_a") AS "current_a", mean("voltage_v") AS "voltage_v" FROM "load" '
        f'WHERE {_where(scope)} GROUP BY time($__interval), "device" fill(none)'
    )
    about = "Voltage over current of the loads that are chosen: a supply's load line, a current limit, a battery's resistance."
    matcher = xychart.XychartXYSeriesConfigX().matcher(xychart.MatcherConfig().id("byName").options("current_a"))
    of_y = xychart.XychartXYSeriesConfigY().matcher(xychart.MatcherConfig().id("byName").options("voltage_v"))
    panel = xychart.Panel().title("Voltage against current").description(about).datasource(SOURCE).span(12).height(9).interval(scope.step)
    panel = panel.targets([Query(query, table=True)]).mapping(xychart_models.SeriesMapping.MANUAL)
    panel = panel.series([xychart.XYSeriesConfig().x(matcher).y(of_y)])
    panel = panel.legend(common.VizLegendOptions().show_legend(True).placement(common_models.LegendPlacement.BOTTOM))
    panel = panel.override_by_name("current_a", [*written("amp"), Property("custom.axisLabel", "current")])
    return panel.override_by_name("voltage_v", [*written("volt"), Property("custom.axisLabel", "voltage")])


def _quality(scope: Scope) -> Any:
    query = f'SELECT max("quality") AS "quality" FROM {DEVICES} WHERE {_where(scope)} GROUP BY time($__interval), "device" fill(null)'
    about = "The worst quality of each interval: 0 good, 1 uncertain, 2 bad. A failed poll is bad, and has no reading."
    panel = plot("Quality", "none", [Query(query, alias="$tag_device")], scope, about, height=9)
    return panel.min(0).max(2).decimals(0)


def _states(scope: Scope) -> Any:
    fields = ", ".join(f'last("{name}") AS "{name}"' for name in STATES)
    query = f'SELECT {fields} FROM "load" WHERE {_where(scope)} GROUP BY time($__interval), "device" fill(none)'
    about = (
        "Status channels of the loads that are chosen, as numbers of their profiles: input_on and sense_remote 1 on, protection as bits."
    )
    on = [{"type": "value", "options": {"0": {"text": "off", "color": ORANGE}, "1": {"text": "on", "color": "blue"}}}]
    panel = states("States", Query(query, alias="$tag_device $col"), about, scope)
    for device in scope.devices:  # where the bench is known, its modes have names
        for channel in device.channels:
            if channel.name in STATES and channel.kind == "enum" and device.role == "load":
                words = {str(number): {"text": name} for number, name in channel.names.items()}
                panel = panel.override_by_name(
                    f"{device.name} {channel.name}", [Property("mappings", [{"type": "value", "options": words}])]
                )
    return panel.override_by_regexp("/(input_on|sense_remote)$/", [Property("mappings", on)])
