"""The kinds of panels that all dashboards share, and how a dashboard is put together: variables, annotations, positions, numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from grafana_foundation_sdk.builders import common, stat, statetimeline, table, timeseries
from grafana_foundation_sdk.builders import dashboard as build
from grafana_foundation_sdk.cog import builder
from grafana_foundation_sdk.models import common as common_models
from grafana_foundation_sdk.models import dashboard as models

from loadlog.grafana.influx import DEVICES, SOURCE, SOURCE_UID, Annotation, Query
from loadlog.grafana.scope import Scope
from loadlog.model.device import LimitSpec

WIDTH = 24  # of Grafana's grid
# As finely as inexpensive instruments read; left to itself Grafana writes three digits, 24.0 V for 24.012 V.
DECIMALS = {"volt": 3, "amp": 3, "watt": 2, "celsius": 1}
# What its longest usual content takes in a table. Grafana gives every column the same, and cuts times off while numbers have room.
WIDTHS_PX = {"Time": 190, "bench": 110, "device": 110, "kind": 185, "severity": 85, "state": 75, "confidence": 100, "acknowledged": 120}
GREEN, ORANGE, RED, BLUE = "green", "orange", "red", "blue"
# Colours that readers with a colour vision deficiency can tell apart (Okabe and Ito, 2008); limits are also lines, and states also words.
Property = models.DynamicConfigValue


def legend() -> common.VizLegendOptions:
    """Names below the plot, with the last value, the smallest and the largest."""
    options = common.VizLegendOptions().show_legend(True).display_mode(common_models.LegendDisplayMode.TABLE)
    return options.placement(common_models.LegendPlacement.BOTTOM).calcs(["lastNotNull", "min", "max"])


def plot(
    title: str, unit: str, queries: Sequence[Query], scope: Scope, about: str = "", width: int = 12, height: int = 8
) -> timeseries.Panel:
    """Lines over time. Gaps stay gaps: what was not seen is not drawn."""
    panel = timeseries.Panel().title(title).unit(unit).datasource(SOURCE).span(width).height(height).interval(scope.step)
    panel = panel.legend(legend()).tooltip(common.VizTooltipOptions().mode(common_models.TooltipDisplayMode.MULTI))
    panel = panel.line_width(1).fill_opacity(0).span_nulls(False).show_points(common_models.VisibilityMode.AUTO)
    if about:
        panel = panel.description(about)
    if unit in DECIMALS:
        panel = panel.decimals(DECIMALS[unit])
    return panel.targets(list(queries))


def written(unit: str) -> list[Property]:
    """Unit and decimals of a column."""
    return [Property("unit", unit), *([Property("decimals", DECIMALS[unit])] if unit in DECIMALS else [])]


def steps(*pairs: tuple[float | None, str]) -> build.ThresholdsConfig:
    """Colours from a value on; None: from below."""
    thresholds = [models.Threshold(value=value, color=color) for value, color in pairs]
    return build.ThresholdsConfig().mode(models.ThresholdsMode.ABSOLUTE).steps(thresholds)


def bands(limits: LimitSpec) -> build.ThresholdsConfig:
    """The limits of a channel as bands: red beyond the outer ones, orange beyond the inner ones."""
    low_low, low, high, high_high = limits.low_low, limits.low, limits.high, limits.high_high
    lowest = RED if low_low is not None else ORANGE if low is not None else GREEN
    pairs: list[tuple[float | None, str]] = [(None, lowest)]
    if low_low is not None:
        pairs.append((low_low, ORANGE if low is not None else GREEN))
    if low is not None:
        pairs.append((low, GREEN))
    if high is not None:
        pairs.append((high, ORANGE))
    if high_high is not None:
        pairs.append((high_high, RED))
    return steps(*pairs)


def spread(panel: timeseries.Panel) -> timeseries.Panel:
    """Series that begin with ``max`` are filled down to the one that begins with ``min``; the mean is the line in front."""
    thin = [Property("custom.lineWidth", 0), Property("color", {"mode": "fixed", "fixedColor": "#56B4E9"})]
    panel = panel.override_by_name("min", [*thin])
    panel = panel.override_by_name("max", [*thin, Property("custom.fillBelowTo", "min"), Property("custom.fillOpacity", 35)])
    return panel.override_by_name("mean", [Property("color", {"mode": "fixed", "fixedColor": "#0072B2"})])


def rows(title: str, query: str, about: str, width: int = WIDTH, height: int = 8) -> table.Panel:
    """A table of one query."""
    panel = table.Panel().title(title).description(about).datasource(SOURCE).span(width).height(height)
    return panel.targets([Query(query, table=True)]).cell_height(common_models.TableCellHeight.SM)


def narrow(panel: table.Panel, **more: int) -> table.Panel:
    """Columns of a table no wider than what stands in them, px, so that the text has the rest; ``more``: further ones."""
    for name, width_px in {**WIDTHS_PX, **more}.items():
        panel = panel.override_by_name(name, [Property("custom.width", width_px)])
    return panel


def change(id_val: str, **options: Any) -> models.DataTransformerConfig:
    """A transformation of a panel's data."""
    return models.DataTransformerConfig(id_val=id_val, options=options)


def number(title: str, unit: str, query: Query, about: str, width: int, reduce: str = "lastNotNull") -> stat.Panel:
    """One number for each series."""
    panel = stat.Panel().title(title).description(about).unit(unit).datasource(SOURCE).span(width).height(5).targets([query])
    panel = panel.graph_mode(common_models.BigValueGraphMode.NONE).reduce_options(common.ReduceDataOptions().calcs([reduce]).values(False))
    return panel.text_mode(common_models.BigValueTextMode.VALUE_AND_NAME).color_mode(common_models.BigValueColorMode.BACKGROUND)


def states(title: str, query: Query, about: str, scope: Scope, width: int = WIDTH, height: int = 7) -> statetimeline.Panel:
    """Status channels over time, the value written into each stretch."""
    panel = statetimeline.Panel().title(title).description(about).datasource(SOURCE).span(width).height(height).interval(scope.step)
    panel = panel.targets([query]).merge_values(True).show_value(common_models.VisibilityMode.AUTO)
    return panel.legend(common.VizLegendOptions().show_legend(False))


def variables(scope: Scope, *wanted: str, several: bool = True) -> list[Any]:
    """The data source, then what the reader chooses by: ``bench``, ``device``, ``run``; the bench only where it is not known.

    ``several``: more than one device at a time.
    """
    source = build.DatasourceVariable("datasource").label("Data source").type("influxdb")
    out: list[Any] = [source.current(models.VariableOption(text=SOURCE_UID, value=SOURCE_UID))]
    chosen = f"WHERE {scope.chosen}"
    queries = {
        "bench": 'SHOW TAG VALUES FROM "bench_health" WITH KEY = "bench"',
        "device": f'SHOW TAG VALUES FROM {DEVICES} WITH KEY = "device" {chosen}',
        "run": f'SHOW TAG VALUES FROM {DEVICES} WITH KEY = "run" {chosen}',
    }
    for name in wanted:
        if name == "bench" and scope.is_one:
            continue
        query, is_run = queries[name], name == "run"
        variable = build.QueryVariable(name).label(name.capitalize()).datasource(SOURCE)
        variable = variable.query({"query": query, "refId": f"variable-{name}"})
        variable = variable.refresh(models.VariableRefresh.ON_TIME_RANGE_CHANGED)
        variable = variable.sort(models.VariableSort.ALPHABETICAL_DESC if is_run else models.VariableSort.ALPHABETICAL_ASC)
        if several or is_run:
            variable = variable.multi(several and not is_run).include_all(True).all_value(".*")
            variable = variable.current(models.VariableOption(text="All", value="$__all"))
        out.append(variable)
    return out


def event_marks(scope: Scope) -> list[builder.Builder[models.AnnotationQuery]]:
    """Events as annotations: a mark where each began and where it was over, by severity."""
    out: list[builder.Builder[models.AnnotationQuery]] = []
    for severity, color in (("alarm", RED), ("warning", ORANGE), ("info", BLUE)):
        query = (
            'SELECT "text", "kind", "device", "state" FROM "bench_event" '
            f"WHERE $timeFilter AND {scope.chosen} AND \"severity\" = '{severity}'"
        )
        mark = build.AnnotationQuery().name(f"Events: {severity}").datasource(SOURCE).enable(severity != "info").icon_color(color)
        out.append(mark.target(Annotation(query, "text", "kind,device,state")))
    return out


def put_together(
    scope: Scope, what: str, about: str, choices: Sequence[Any], panels: Sequence[Any], since: str, marks: bool = True, refresh: str = ""
) -> models.Dashboard:
    """A dashboard, its panels placed in the order in which they are given and numbered from 1; a text among them begins a row."""
    slug = what.replace(" ", "-")
    board = (
        build.Dashboard(scope.title(what))
        .uid(scope.uid(slug))
        .description(about)
        .tags(["loadlog", *([scope.bench] if scope.bench else [])])
    )
    board = board.timezone("browser").editable().time(since, "now").tooltip(models.DashboardCursorSync.CROSSHAIR).refresh(refresh)
    board = board.variables(list(choices))
    if marks:
        board = board.annotations(event_marks(scope))
    link = build.DashboardLink("loadlog").type(models.DashboardLinkType.DASHBOARDS).tags(["loadlog"]).as_dropdown(True)
    board = board.links([link.include_vars(True).keep_time(True)])
    for panel in panels:
        board = board.with_row(build.Row(panel)) if isinstance(panel, str) else board.with_panel(panel)
    made = board.build()
    for variable in (made.templating and made.templating.list_val) or ():
        variable.auto = variable.auto_min = variable.auto_count = None  # of interval variables; the SDK gives them to all
    for index, panel in enumerate(made.panels or (), 1):
        panel.id_val = index
    return made
