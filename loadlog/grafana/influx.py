"""What Grafana sends to InfluxDB: the queries of panels, variables and annotations as its InfluxDB data source stores them.

`grafana-foundation-sdk` has no query type for InfluxDB; the keys are those that the query editor saves (11.6, raw InfluxQL). Variables
stand as ``/^($name)$/``: with parentheses of our own, since versions differ in whether they put them round several values.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Self

from grafana_foundation_sdk.cog import builder, variants
from grafana_foundation_sdk.models import dashboard

SOURCE = dashboard.DataSourceRef(type_val="influxdb", uid="${datasource}")
SOURCE_UID = "loadlog"  # of the provisioned data source
DEVICES = '"load", "supply", "meter", "thermometer"'  # a device's measurement is its role


class InfluxQuery(variants.Dataquery):
    """One query. ``table``: rows with the tags as columns, instead of series. ``alias``: name of each series, ``$tag_x`` and ``$col``."""

    def __init__(
        self, query: str, alias: str = "", table: bool = False, ref_id: str = "A", source: dashboard.DataSourceRef = SOURCE
    ) -> None:
        self.query, self.alias, self.table, self.ref_id, self.source = query, alias, table, ref_id, source

    def to_json(self) -> dict[str, object]:
        """As Grafana stores it."""
        payload: dict[str, object] = {
            "refId": self.ref_id, "datasource": self.source, "query": self.query, "rawQuery": True,
            "resultFormat": "table" if self.table else "time_series",
        }  # fmt: skip
        if self.alias:
            payload["alias"] = self.alias
        return payload

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Self:
        """Keys that are not known are dropped, as the SDK does with its own: a round trip shows them."""
        source = dashboard.DataSourceRef.from_json(data.get("datasource", {}))
        return cls(data.get("query", ""), data.get("alias", ""), data.get("resultFormat") == "table", data.get("refId", ""), source)


class Query(builder.Builder[InfluxQuery]):
    """An `InfluxQuery` as the SDK's panels take it."""

    def __init__(self, query: str, alias: str = "", table: bool = False, ref_id: str = "A") -> None:
        self._query = InfluxQuery(query, alias, table, ref_id)

    def build(self) -> InfluxQuery:
        """The query."""
        return self._query


class AnnotationTarget(dashboard.AnnotationTarget):
    """Where an annotation of this data source keeps its query. ``tags_column``: columns, separated by commas."""

    def __init__(self, query: str, text_column: str, tags_column: str) -> None:
        super().__init__(limit=1000, match_any=False, tags=[], type_val="tags")
        self.query, self.text_column, self.tags_column = query, text_column, tags_column

    def to_json(self) -> dict[str, object]:
        """As Grafana stores it."""
        return {
            "query": self.query, "rawQuery": True, "resultFormat": "table", "refId": "Anno", "fromAnnotations": True,
            "textColumn": self.text_column, "tagsColumn": self.tags_column, "titleColumn": "", "timeEndColumn": "",
        }  # fmt: skip


class Annotation(builder.Builder[dashboard.AnnotationTarget]):
    """An `AnnotationTarget` as the SDK's annotations take it."""

    def __init__(self, query: str, text_column: str, tags_column: str) -> None:
        self._target = AnnotationTarget(query, text_column, tags_column)

    def build(self) -> dashboard.AnnotationTarget:
        """The target."""
        return self._target


def last_answers(channels: Sequence[str], condition: str) -> str:
    """The last reading of each channel of each device, as one column ``v`` at the instant of the reading: a source for an outer query.

    Any channel shows that a device answered, since a failed poll is a point with its quality alone; and the last point of a channel is
    found without reading the others, where counting the polls of a day would read them all.
    """
    of_one = f'FROM {DEVICES} WHERE {condition} GROUP BY "bench", "device"'
    return ", ".join(f'(SELECT last("{channel}") AS "v" {of_one})' for channel in channels)


def active_events(condition: str, groups: str, when: str = "$timeFilter") -> str:
    """How many events are active, by ``groups``: those ever told of less those cleared, counted by number.

    An event is one point for each of its states, at its onset and at its end, and a momentary one has an end alone; so the last state of a
    kind says nothing of the others, and active points would count what was cleared long ago.
    """
    told = f'SELECT count(distinct("id")) AS "n" FROM "bench_event" WHERE {when} AND {condition} GROUP BY {groups}'
    over = (
        f'SELECT -1 * count(distinct("id")) AS "n" FROM "bench_event" WHERE {when} AND {condition} '
        f"AND \"state\" = 'cleared' GROUP BY {groups}"
    )
    # one column under one name: of two subqueries, InfluxDB 1.x reads the columns of the first only
    return f'SELECT sum("n") AS "active" FROM ({told}), ({over}) WHERE {when} GROUP BY {groups}'
