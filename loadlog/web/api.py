"""Reading: devices, samples, events, runs, the stream, health. Each answer is an object, so that fields can be added."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends, Query, Request
from fastapi.responses import JSONResponse, PlainTextResponse, Response
from pydantic import Field
from pydantic_core import to_json

from loadlog.config import nearest
from loadlog.model.clock import NS, parse_utc
from loadlog.model.event import KINDS
from loadlog.web import metrics
from loadlog.web.problems import Problem
from loadlog.web.site import Site, costly, site_of
from loadlog.web.source import MAX_POINTS
from loadlog.web.stream import EventStreamResponse
from loadlog.web.strict import make_router
from loadlog.web.texts import TEXT

router = make_router()
SiteOf = Annotated[Site, Depends(site_of)]
Costly = Depends(costly, scope="function")
DEFAULT_SPAN_NS = 3600 * NS
EARLIEST_NS, LATEST_NS = 0, 1 << 62  # 1970 to 2116: what recordings can hold
Instant = Annotated[str, Field(max_length=64, json_schema_extra={"format": "date-time"})]
NameText = Annotated[str, Field(max_length=63, pattern=TEXT)]
RunId = Annotated[str, Field(max_length=80, pattern=TEXT)]
Kind = Annotated[str, Field(json_schema_extra={"enum": sorted(KINDS)})]


@router.get("/api/devices", summary="Every device with its channels, limits and newest sample")
def devices(site: SiteOf) -> dict[str, Any]:
    """In the order of the configuration."""
    return {"bench": site.bench, "software": site.software, "t": site.source.now(), "devices": site.source.devices()}


@router.get(
    "/api/samples",
    summary="Channels of a device over a span, in at most about `points` buckets",
    dependencies=[Costly],
    response_class=JSONResponse,
)
def samples(
    site: SiteOf,
    device: Annotated[NameText, Query()],
    from_: Annotated[Instant | None, Query(alias="from", description="RFC 3339; default: one hour before `to`")] = None,
    to: Annotated[Instant | None, Query(description="RFC 3339; default: now")] = None,
    points: Annotated[int, Query(ge=1, le=MAX_POINTS)] = 2000,
    channel: Annotated[list[NameText] | None, Query(description="default: every channel with a number")] = None,
) -> Response:
    """Raw samples where the span holds no more than `points`; else minimum, mean and maximum of each bucket."""
    spec = site.source.spec(device)
    if spec is None:
        raise Problem(404, f"there is no device {device!r}{nearest(device, site.source.specs())}", field="device")
    numbers = [c.name for c in spec.channels if c.kind == "number"]
    for name in channel or ():
        if name not in numbers:
            raise Problem(404, f"device {device} has no channel {name!r}{nearest(name, numbers)}", field="channel")
    to_ns = moment("to", to) if to is not None else parse_utc(site.source.now())
    from_ns = moment("from", from_) if from_ is not None else to_ns - DEFAULT_SPAN_NS
    if from_ns >= to_ns:
        raise Problem(422, "from must be before to", field="from")
    from_ns = storable(from_ns)
    to_ns = max(storable(to_ns), from_ns + 1)  # a span beyond what recordings can hold has nothing in it
    columns = site.source.samples(spec, channel or numbers, from_ns, to_ns, points)
    # Plain values already: the framework's own way to JSON would take as long as reading the samples.
    return Response(to_json(columns), media_type="application/json")


def moment(field: str, text: str) -> int:
    """UTC nanoseconds of a query field, any year.

    Raises:
        Problem: no RFC 3339 instant.
    """
    try:
        return parse_utc(text)
    except (ValueError, OverflowError) as exc:
        raise Problem(422, f"{field}: {exc}", field=field) from exc


def storable(t_utc_ns: int) -> int:
    """What lies beyond all that recordings can hold is their end."""
    return min(max(t_utc_ns, EARLIEST_NS), LATEST_NS)


def instant(field: str, text: str) -> int:
    """UTC nanoseconds of a query field, as recordings can hold them.

    Raises:
        Problem: no RFC 3339 instant.
    """
    return storable(moment(field, text))


@router.get("/api/events", summary="The latest state of each event, newest last", dependencies=[Costly])
def events(
    site: SiteOf,
    run: Annotated[RunId | None, Query()] = None,
    since: Annotated[Instant | None, Query(description="RFC 3339: detected, cleared or acknowledged since")] = None,
    until: Annotated[Instant | None, Query(description="RFC 3339: begun before")] = None,
    kind: Annotated[list[Kind] | None, Query()] = None,
    active: bool | None = None,
    device: Annotated[NameText | None, Query()] = None,
    limit: Annotated[int, Query(ge=1, le=10_000)] = 1000,
) -> dict[str, Any]:
    """The newest `limit`; `truncated` says that there are more."""
    for name in kind or ():
        if name not in KINDS:
            raise Problem(422, f"there is no event kind {name!r}{nearest(name, KINDS)}", field="kind")
    since_ns = None if since is None else instant("since", since)
    until_ns = None if until is None else instant("until", until)
    wanted = {"run": run, "since_ns": since_ns, "until_ns": until_ns, "kinds": kind or (), "active": active, "device": device}
    found = site.source.events(**wanted, limit=limit + 1)
    shown = [event.to_json() for event in found[-limit:]]
    return {"events": shown, "truncated": len(found) > limit}


@router.get("/api/runs", summary="Every run, newest first")
def runs(site: SiteOf) -> dict[str, Any]:
    """With its state: running, ended, or interrupted (cut off, and nobody stopped it)."""
    return {"runs": site.source.runs()}


@router.get("/api/plans", summary="Every plan of the configuration, and when it starts next")
def plans(site: SiteOf) -> dict[str, Any]:
    """Devices, duration (0: open end), `next_start` (null: only by order), what ends it, and the limits it is judged by: those of the
    configuration that the recorder has; `unread`: the file was edited since, and not read again."""
    return {"t": site.source.now(), "unread": site.source.unread(), "plans": site.plans()}


@router.get("/api/notes", summary="The logbook: notes of runs and of the time between them, oldest first")
def notes(
    site: SiteOf,
    run: Annotated[RunId | None, Query(description="only those of this run")] = None,
    limit: Annotated[int, Query(ge=1, le=10_000)] = 1000,
) -> dict[str, Any]:
    """The newest `limit`; `truncated` says that there are more. `run` null: written between runs."""
    if run is not None and all(run != known.id for known in site.source.run_infos()):
        raise Problem(404, f"there is no run {run!r}{nearest(run, [known.id for known in site.source.run_infos()])}", field="run")
    found = site.source.logbook(run, limit + 1)
    return {"notes": found[-limit:], "truncated": len(found) > limit}


@router.get("/api/forward", summary="How far each time-series database has come")
def forward(site: SiteOf) -> dict[str, Any]:
    """State, backlog, progress, and how many lines were set aside."""
    return {"targets": site.source.forwarding()}


@router.get("/api/stream", summary="Server-sent events: hello, samples, events, service", response_class=Response)
async def stream(site: SiteOf, request: Request, after: Annotated[str, Query(max_length=80, pattern=TEXT)] = "") -> Response:
    """`Last-Event-ID`, or `after` where a client cannot set it, resumes a broken stream."""
    reader = await site.hub.join(request.headers.get("last-event-id", after))
    return EventStreamResponse(site.hub, reader, site.abort)


@router.get("/healthz", summary="The process is alive", response_class=PlainTextResponse)
async def healthz() -> PlainTextResponse:
    """Answers from the event loop alone, so it says that the loop turns."""
    return PlainTextResponse("ok\n")


@router.get("/readyz", summary="The recorder is reachable and samples are fresh", responses={503: {"content": {"application/json": {}}}})
def readyz(site: SiteOf) -> JSONResponse:
    """200 when both hold, else 503 with the reason."""
    recorder = site.source.recorder()
    silent = site.source.silent()
    ready = recorder.reachable and not silent
    reason = "" if ready else recorder.detail or f"no fresh sample of {', '.join(silent)}"
    body = {"ready": ready, "recorder": recorder.reachable, "silent": silent, "detail": reason}
    return JSONResponse(body, 200 if ready else 503)


@router.get("/metrics", summary="Prometheus metrics", response_class=PlainTextResponse)
def prometheus(site: SiteOf) -> Response:
    """Text exposition format 0.0.4."""
    return Response(metrics.exposition(site), media_type=metrics.CONTENT_TYPE)
