"""Every query of every dashboard against a real InfluxDB 1.x that holds what the forwarder writes; answers compared as numbers.

A panel, annotation or variable without an expectation here fails: there is no query that nobody has seen the answer of.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from loadlog.grafana import DASHBOARDS, EVERY_BENCH
from loadlog.grafana.files import as_json
from tests.databases import Influx1
from tests.integration.grafana.grafana import ALL, expand, offered, rows, series, transformed
from tests.integration.grafana.world import (
    BAD_S,
    BENCHES,
    LENGTH_S,
    RUN,
    SILENT_S,
    Point,
    World,
    by_bucket,
    last,
    mean,
)

pytestmark = pytest.mark.server
START_S = 1_800_000_000
WIDTH_S = 60
BENCH = "bench.a"
BOARDS = {name: json.loads(as_json(make(EVERY_BENCH))) for name, make in DASHBOARDS.items()}
VOLTAGES = ("load", "meter")
CHOSEN: dict[str, dict[str, tuple[str, ...]]] = {
    "overview": {"bench": ALL},
    "soak-run": {"bench": (BENCH,), "device": ("load-1",), "run": (RUN,)},
    "post-mortem": {"bench": (BENCH,), "device": ("load-1", "case"), "run": (RUN,)},
    "service-health": {"bench": BENCHES},
}


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> World:
    return World(tmp_path_factory.mktemp("world"), START_S)


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory, world: World) -> Iterator[Influx1]:
    with Influx1(tmp_path_factory.mktemp("influx")) as server:
        server.create("bench")
        for first in range(0, len(world.lines), 5000):
            server.get("/write", "\n".join(world.lines[first : first + 5000]).encode(), db="bench")
        yield server


Expected = Callable[[World], Any]
PER_DEVICE = ("bench", "device")


def key(**tags: str) -> tuple[tuple[str, str], ...]:
    return tuple(sorted(tags.items()))


def grouped(points: list[Point], tags: tuple[str, ...]) -> dict[tuple[tuple[str, str], ...], list[Point]]:
    out: dict[tuple[tuple[str, str], ...], list[Point]] = {}
    for point in points:
        out.setdefault(key(**{tag: getattr(point, tag) for tag in tags}), []).append(point)
    return out


def folded(points: list[Point], tags: tuple[str, ...], columns: dict[str, tuple[str, Any]], width_s: int = WIDTH_S) -> Any:
    """Column -> (channel, how), by tags and interval; what has no value at all is no series."""
    out = {}
    for group, inside in grouped(points, tags).items():
        made = {}
        for column, (channel, fold) in columns.items():
            values = [(p.t_s, p.values[channel]) for p in inside if channel in p.values]
            if values:
                made[column] = by_bucket(values, width_s, fold)
        if made:
            out[group] = made
    return out


def over_time(name: str) -> Expected:
    return lambda w: folded(w.points, PER_DEVICE, {name: (name, mean)})


def counted(points: list[Point], all_points: list[Point]) -> Any:
    """Polls a minute, 0 where there are none, for every device that has any."""
    out = {}
    for group, inside in grouped(points, PER_DEVICE).items():
        starts = {p.t_s // WIDTH_S * WIDTH_S for p in all_points}
        found = by_bucket([(p.t_s, 1) for p in inside], WIDTH_S, len)
        out[group] = {"polls": {float(start): found.get(start, 0) for start in starts}}
    return out


def extremes(name: str) -> Expected:
    wanted = {"min": (name, min), "mean": (name, mean), "max": (name, max)}
    return lambda w: folded(w.of(bench=BENCH, device="load-1", run=RUN), (), wanted)


def drift(name: str) -> Expected:
    def of(world: World) -> Any:
        means = folded(world.of(bench=BENCH, device="load-1", run=RUN), (), {"m": (name, mean)}, 600)[()]["m"]
        first = means.pop(min(means))
        return {(): {"drift": {t: value - first for t, value in means.items()}}}

    return of


def detail(name: str) -> Expected:
    wanted = {"min": (name, min), "max": (name, max)}
    return lambda w: folded(w.of(bench=BENCH, device=("load-1", "case"), run=RUN), ("device",), wanted)


def growth(name: str, per_second: bool) -> Expected:
    """Of the last count of each interval over that of the interval before; a count that has become smaller is left out."""

    def of(world: World) -> Any:
        out = {}
        for bench in BENCHES:
            for bus in ("rack", "lan"):
                ends = by_bucket([(t, f[name]) for t, b, u, f in world.beats if (b, u) == (bench, bus)], WIDTH_S, last)
                steps = {t: value - ends[t - WIDTH_S] for t, value in ends.items() if t - WIDTH_S in ends}
                out[key(bench=bench, bus=bus)] = {"value": {t: s / (WIDTH_S if per_second else 1) for t, s in steps.items() if s >= 0}}
        return out

    return of


def worst(name: str, tags: tuple[str, ...]) -> Expected:
    def of(world: World) -> Any:
        groups: dict[Any, list[tuple[float, float]]] = {}
        for t, bench, bus, fields in world.beats:
            groups.setdefault(key(**{k: v for k, v in (("bench", bench), ("bus", bus)) if k in tags}), []).append((t, fields[name]))
        return {group: {"value": by_bucket(values, WIDTH_S, max)} for group, values in groups.items()}

    return of


def event_rows(world: World, benches: tuple[str, ...], columns: tuple[str, ...], kinds: tuple[str, ...] = ()) -> list[dict[str, Any]]:
    """Each told state, in the order of its instant."""
    out = []
    for bench, one in world.events:
        t_ns = one.cleared_utc_ns or one.onset.latest_utc_ns
        facts = {
            "bench": bench, "device": one.device or "none", "kind": one.kind, "severity": str(one.severity), "state": str(one.state),
            "id": one.id, "confidence": one.confidence, "acknowledged": int(one.acknowledged), "text": one.message,
            "acknowledged_by": one.acknowledged_by or None, "acknowledged_at": one.evidence.get("acknowledged_at"),
            "note": one.note or None,
        }  # fmt: skip
        if bench in benches and (not kinds or one.kind in kinds):
            out.append({"Time": t_ns // 1_000_000, **{column: facts[column] for column in columns}})
    return sorted(out, key=lambda row: (row["Time"], str(row)))


def active(world: World) -> list[dict[str, Any]]:
    """Newest first, as the table is to show them."""
    cleared = {(bench, one.id) for bench, one in world.events if one.cleared_utc_ns is not None}
    columns = ("bench", "id", "device", "kind", "severity", "confidence", "acknowledged", "text")
    found = [row for row in event_rows(world, BENCHES, columns) if (row["bench"], row["id"]) not in cleared]
    return sorted(found, key=lambda row: -row["Time"])


def last_readings(world: World) -> list[dict[str, Any]]:
    out = []
    for group, inside in grouped(world.of(role=VOLTAGES), PER_DEVICE).items():
        row: dict[str, Any] = {**dict(group), "quality": inside[-1].quality}
        for name in ("voltage_v", "current_a", "power_w", "temperature_c"):
            row[name] = next((p.values[name] for p in reversed(inside) if name in p.values), None)
        out.append(row)
    return out


def last_answers(world: World) -> list[dict[str, Any]]:
    out = []
    for group, inside in grouped([p for p in world.points if p.values], PER_DEVICE).items():
        out.append({**dict(group), "answered": inside[-1].t_s * 1000})
    return out


def last_temperatures(world: World) -> list[dict[str, Any]]:
    out = []
    for group, inside in grouped(world.of(role="thermometer"), PER_DEVICE).items():
        out.append({**dict(group), **{name: value for name, value in inside[-1].values.items() if name.endswith("_c")}})
    return out


def heartbeat_rows(world: World) -> list[dict[str, Any]]:
    ends = {(bench, bus): (t, fields) for t, bench, bus, fields in world.beats}
    return [{"Time": t * 1000, "bench": bench, "bus": bus, **fields} for (bench, bus), (t, fields) in ends.items()]


def last_beats(world: World) -> list[dict[str, Any]]:
    """Two buses beat at the same instant: either count is the last."""
    end = world.beats[-1][0]
    now = [(bench, fields["polls"]) for t, bench, bus, fields in world.beats if (t, bus) == (end, "rack")]
    return [{"Time": end * 1000, "bench": bench, "polls": polls} for bench, polls in now]


def runs(world: World) -> list[dict[str, Any]]:
    """Two benches with a run of the same name: two rows."""
    out = []
    for (bench,), inside in grouped(world.of(run=RUN), ("bench",)).items():
        times = [p.t_s * 1000 for p in inside]
        out.append({**dict([bench]), "run": RUN, "begun": min(times), "ended": max(times)})
    return out


TIMES = ("begun", "ended", "answered")
EVENT_COLUMNS = ("bench", "device", "kind", "severity", "state", "confidence", "id", "text", "acknowledged_by", "acknowledged_at", "note")
SERVICE_COLUMNS = ("bench", "device", "kind", "severity", "state", "text")
TABLES: dict[tuple[str, str], Expected] = {
    ("overview", "Last heartbeat"): last_beats,
    ("overview", "Active events"): active,
    ("overview", "Runs"): runs,
    ("overview", "Last readings"): last_readings,
    ("overview", "Last answers"): last_answers,
    ("overview", "Last temperatures"): last_temperatures,
    ("post-mortem", "Events"): lambda w: event_rows(w, (BENCH,), EVENT_COLUMNS),
    ("service-health", "Last heartbeat"): heartbeat_rows,
    ("service-health", "Events of the service"): lambda w: event_rows(
        w, BENCHES, SERVICE_COLUMNS, ("forward_backlog", "communication_lost", "notify_failed")
    ),
}  # fmt: skip
SERIES: dict[tuple[str, str], Expected] = {
    ("overview", "Active alarms"): lambda w: {
        key(bench="bench.a"): {"active": {START_S: 2}}, key(bench="bench-a"): {"active": {START_S: 0}},
    },
    ("overview", "Voltage"): over_time("voltage_v"),
    ("overview", "Current"): over_time("current_a"),
    ("overview", "Power"): over_time("power_w"),
    ("overview", "Temperature"): over_time("temperature_c"),
    ("soak-run", "Voltage"): extremes("voltage_v"),
    ("soak-run", "Voltage: drift"): drift("voltage_v"),
    ("soak-run", "Current"): extremes("current_a"),
    ("soak-run", "Current: drift"): drift("current_a"),
    ("soak-run", "Power"): extremes("power_w"),
    ("soak-run", "Power: drift"): drift("power_w"),
    ("soak-run", "Temperature"): extremes("temperature_c"),
    ("soak-run", "Temperature: drift"): drift("temperature_c"),
    ("soak-run", "Thermometer"): lambda w: {},  # a load is chosen: see the test below
    ("post-mortem", "Voltage"): detail("voltage_v"),
    ("post-mortem", "Current"): detail("current_a"),
    ("post-mortem", "Power"): detail("power_w"),
    ("post-mortem", "Temperature"): detail("temperature_c"),
    ("post-mortem", "Voltage against current"): lambda w: folded(
        w.of(bench=BENCH, device="load-1", run=RUN), ("device",), {"current_a": ("current_a", mean), "voltage_v": ("voltage_v", mean)}
    ),
    ("post-mortem", "Quality"): lambda w: {
        group: {"quality": by_bucket([(p.t_s, p.quality) for p in inside], WIDTH_S, max)}
        for group, inside in grouped(w.of(bench=BENCH, device=("load-1", "case"), run=RUN), ("device",)).items()
    },
    ("post-mortem", "States"): lambda w: folded(
        w.of(bench=BENCH, device="load-1", run=RUN),
        ("device",),
        {name: (name, last) for name in ("input_on", "sense_remote", "protection", "mode")},
    ),
    ("service-health", "Lateness"): worst("lateness_s", ("bench", "bus")),
    ("service-health", "Backlog"): worst("backlog", ("bench",)),
    ("service-health", "Polls"): growth("polls", per_second=True),
    ("service-health", "Time-outs"): growth("timeouts", per_second=False),
    ("service-health", "Damaged replies"): growth("crc_errors", per_second=False),
    ("service-health", "Bad polls a minute"): lambda w: counted(w.of(quality=2), w.points),
}  # fmt: skip
PANELS = [(name, panel) for name, board in BOARDS.items() for panel in board["panels"] if panel["type"] != "row"]


def ask(influx: Influx1, world: World, query: str, chosen: dict[str, tuple[str, ...]], width: str = f"{WIDTH_S}s") -> Any:
    return influx.query(expand(query, world.start_s, world.end_s, width, chosen), "bench")


def test_every_panel_has_an_expectation() -> None:
    names = [(name, panel["title"]) for name, panel in PANELS]
    assert len(set(names)) == len(names)
    assert set(names) == set(TABLES) | set(SERIES)


@pytest.mark.parametrize(("name", "panel"), PANELS, ids=[f"{name}: {panel['title']}" for name, panel in PANELS])
def test_a_panel_shows_what_was_recorded(influx: Influx1, world: World, name: str, panel: dict[str, Any]) -> None:
    [target] = panel["targets"]
    answer = ask(influx, world, target["query"], CHOSEN[name])
    where = (name, panel["title"])
    if where in TABLES:
        found, expected = transformed(rows(answer), panel.get("transformations", [])), TABLES[where](world)
        assert expected
        if "Time" not in found[0] or name == "service-health" or where[1] in ("Events", "Last heartbeat"):
            found, expected = sorted(found, key=repr_of), sorted(expected, key=repr_of)
        assert len(found) == len(expected)
        for one, other in zip(found, expected, strict=True):
            assert one.pop("Time", None) == other.pop("Time", None)  # exactly
            assert [one.pop(name, None) for name in TIMES] == [other.pop(name, None) for name in TIMES]
            assert one == pytest.approx(other)
    else:
        same(series(answer), SERIES[where](world))


def repr_of(row: dict[str, Any]) -> str:
    return repr(sorted((name, str(value)) for name, value in row.items() if not isinstance(value, float)))


def same(found: Any, expected: Any) -> None:
    assert set(found) == set(expected)
    for group, columns in expected.items():
        assert set(found[group]) == set(columns), group
        for column, values in columns.items():
            assert found[group][column] == pytest.approx(values, abs=1e-9), (group, column)


def test_the_thermometer_shows_every_channel_it_has(influx: Influx1, world: World) -> None:
    [panel] = [p for name, p in PANELS if p["title"] == "Thermometer"]
    answer = ask(influx, world, panel["targets"][0]["query"], {**CHOSEN["soak-run"], "device": ("case",)})
    names = [c.name for c in world.benches[BENCH].devices["case"].channels if c.name.endswith("_c")]
    assert len(names) == 5
    same(series(answer), folded(world.of(bench=BENCH, device="case", run=RUN), (), {f"mean_{n}": (n, mean) for n in names}))


def test_a_dip_of_one_sample_shows_over_the_whole_run(influx: Influx1, world: World) -> None:
    [panel] = [p for name, p in PANELS if name == "soak-run" and p["title"] == "Voltage"]
    found = series(ask(influx, world, panel["targets"][0]["query"], CHOSEN["soak-run"], "1h"))
    lowest = min(p.values["voltage_v"] for p in world.of(bench=BENCH, device="load-1", run=RUN))
    assert min(found[()]["min"].values()) == lowest < 0.1 * min(found[()]["mean"].values())


def test_a_device_that_is_silent_shows_its_last_answer(influx: Influx1, world: World) -> None:
    """Asked in the middle of its silence, while failed polls go on arriving."""
    [panel] = [p for name, p in PANELS if p["title"] == "Last answers"]
    query = expand(panel["targets"][0]["query"], world.start_s, world.start_s + SILENT_S[15], "60s", {"bench": (BENCH,)})
    found = {row["device"]: row["Time"] // 1000 - START_S for row in rows(influx.query(query, "bench"))}
    assert found == {"load-1": SILENT_S[15], "load-10": SILENT_S[0] - 1, "case": SILENT_S[15], "meter": SILENT_S[15]}


def test_gaps_of_a_silent_device_stay_gaps(influx: Influx1, world: World) -> None:
    [panel] = [p for name, p in PANELS if name == "overview" and p["title"] == "Voltage"]
    answer = ask(influx, world, panel["targets"][0]["query"], {"bench": (BENCH,)}, "10s")
    values = series(answer, all_times=True)[key(bench=BENCH, device="load-10")]["voltage_v"]
    assert [t - START_S for t, value in sorted(values.items()) if value is None] == list(SILENT_S)[::10]


def test_bad_polls_are_those_that_were_recorded_as_bad(influx: Influx1, world: World) -> None:
    [panel] = [p for name, p in PANELS if p["title"] == "Bad polls a minute"]
    found = series(ask(influx, world, panel["targets"][0]["query"], {"bench": (BENCH,)}))
    assert sum(found[key(bench=BENCH, device="load-10")]["polls"].values()) == len(SILENT_S) + len(BAD_S)
    assert sum(found[key(bench=BENCH, device="load-1")]["polls"].values()) == len(BAD_S)
    assert len(found[key(bench=BENCH, device="load-1")]["polls"]) == LENGTH_S // WIDTH_S


@pytest.mark.parametrize("name", BOARDS)
def test_annotations_mark_every_state_of_every_event(influx: Influx1, world: World, name: str) -> None:
    severities = set()
    chosen = CHOSEN[name]
    benches = BENCHES if chosen["bench"] == ALL else chosen["bench"]
    for annotation in BOARDS[name]["annotations"]["list"]:
        severity = annotation["name"].split(": ")[1]
        severities.add(severity)
        found = sorted(rows(ask(influx, world, annotation["target"]["query"], chosen)), key=lambda row: (row["Time"], str(row["text"])))
        wanted = [row for row in event_rows(world, benches, (*EVENT_COLUMNS,)) if row["severity"] == severity]
        expected = [{k: row[k] for k in ("Time", "text", "kind", "device", "state")} for row in wanted]
        assert expected
        assert found == sorted(expected, key=lambda row: (row["Time"], str(row["text"])))
        assert annotation["enable"] is (severity != "info")
    assert severities == {"alarm", "warning", "info"}


VARIABLES = [(name, v) for name, board in BOARDS.items() for v in board["templating"]["list"] if v["type"] == "query"]


@pytest.mark.parametrize(("name", "variable"), VARIABLES, ids=[f"{name}: {v['name']}" for name, v in VARIABLES])
def test_a_variable_offers_what_there_is(influx: Influx1, world: World, name: str, variable: dict[str, Any]) -> None:
    expected = {
        "bench": set(BENCHES),
        "device": {"load-1", "load-10", "case", "meter"},
        "run": {RUN, "none"},
    }[variable["name"]]
    found = offered(ask(influx, world, variable["query"]["query"], {**CHOSEN[name], "bench": (BENCH,)}))
    assert found == expected


def test_a_variable_of_a_bench_offers_its_own_devices_only(influx: Influx1, world: World) -> None:
    influx.get(
        "/write", f"load,bench=elsewhere,device=other,role=load,run=r9 voltage_v=1.0,quality=0i {START_S * 10**9}".encode(), db="bench"
    )
    query = next(v["query"]["query"] for name, v in VARIABLES if v["name"] == "run")
    assert offered(ask(influx, world, query, {"bench": (BENCH,)})) == {RUN, "none"}
    assert offered(ask(influx, world, query, {"bench": ("elsewhere",)})) == {"r9"}
    influx.query('DROP SERIES FROM "load" WHERE "bench" = \'elsewhere\'', "bench")
