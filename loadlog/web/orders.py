"""Changes: each is checked here field by field, sent to the recorder, and answered with what the recorder said."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends, Path
from pydantic import BaseModel, ConfigDict, Field

from loadlog.config import Name, nearest
from loadlog.model.clock import format_utc
from loadlog.model.duration import LONGEST_S
from loadlog.web.problems import Problem
from loadlog.web.site import Site, site_of
from loadlog.web.strict import make_router
from loadlog.web.texts import SOME_TEXT, TEXT

router = make_router("/api")
SiteOf = Annotated[Site, Depends(site_of)]
Person = Annotated[str, Field(max_length=100, pattern=TEXT)]
Text = Annotated[str, Field(max_length=4000, pattern=TEXT)]


class Body(BaseModel):
    """A request's body: unknown fields refused, no conversion between types."""

    model_config = ConfigDict(extra="forbid", strict=True)


class Acknowledgement(Body):
    """Who acknowledges an event, and a note."""

    by: Person = ""
    note: Text = ""


class RunStart(Body):
    """A run to start. ``devices`` absent: all. ``duration_s`` 0: open end. ``keep``: retention never removes it."""

    name: Name
    devices: Annotated[list[Name], Field(min_length=1, max_length=1000)] | None = None
    duration_s: Annotated[float, Field(ge=0, le=LONGEST_S, allow_inf_nan=False)] = 0.0
    keep: bool = False


class RunStop(Body):
    """Why the run is stopped."""

    reason: Annotated[str, Field(max_length=200, pattern=TEXT)] = "stopped by order"


class NewNote(Body):
    """A line for the logbook."""

    text: Annotated[str, Field(max_length=4000, pattern=SOME_TEXT)]
    author: Person = ""


@router.post("/events/{event_id}/ack", summary="Acknowledge an event")
def acknowledge(event_id: int, site: SiteOf, body: Acknowledgement | None = None) -> dict[str, Any]:
    """The event as it stands now."""
    if not any(event.id == event_id for event in site.source.events()):
        raise Problem(404, f"there is no event {event_id}", field="id")
    given = body or Acknowledgement()
    event: dict[str, Any] = site.source.control.call("ack", id=event_id, by=given.by, note=given.note)["event"]
    return event


@router.post("/forward/{name}/retry", status_code=202, summary="Send again what a time-series database refused")
def retry_forward(name: str, site: SiteOf) -> dict[str, Any]:
    """Begun, not done: `GET /api/forward` shows what became of it."""
    if name not in (target["name"] for target in site.source.forwarding()):
        raise Problem(404, f"there is no forwarding target {name!r}", field="name")
    site.retry_forward(name)
    return {"name": name}


@router.post("/runs", status_code=201, summary="Start a run")
def start_run(body: RunStart, site: SiteOf) -> dict[str, Any]:
    """The run's id, devices and start."""
    fields: dict[str, Any] = {"name": body.name, "duration_s": body.duration_s, "keep": body.keep}
    if body.devices is not None:
        fields["devices"] = body.devices
    return _started(site.source.control.call("run_start", **fields))


@router.post("/runs/{run_id}/stop", summary="Stop a run")
def stop_run(run_id: str, site: SiteOf, body: RunStop | None = None) -> dict[str, Any]:
    """The run's id."""
    require_run(site, run_id)
    return {"id": site.source.control.call("run_stop", run=run_id, reason=(body or RunStop()).reason)["run"]}


@router.post("/runs/{run_id}/notes", status_code=201, summary="Write into the logbook of a run that is on")
def add_note(run_id: str, body: NewNote, site: SiteOf) -> dict[str, Any]:
    """The run's id."""
    require_run(site, run_id)
    return {"id": site.source.control.call("note", run=run_id, text=body.text, author=body.author)["run"]}


@router.post("/notes", status_code=201, summary="Write into the logbook between runs")
def add_bench_note(body: NewNote, site: SiteOf) -> dict[str, Any]:
    """`id` null: it belongs to no run."""
    return {"id": site.source.control.call("note", run=None, text=body.text, author=body.author)["run"]}


@router.post("/plans/{name}/start", status_code=201, summary="Start a plan now")
def start_plan(name: Annotated[str, Path(max_length=63)], site: SiteOf) -> dict[str, Any]:
    """The run's id, devices and start; it ends as the plan says."""
    plans = {plan["name"]: plan for plan in site.plans()}
    if name not in plans:
        raise Problem(404, f"there is no plan {name!r}{nearest(name, plans)}", field="name")
    # Said in full: a recorder that does not know the plan (yet) must not take it for a run of everything with an open end.
    fields = {key: plans[name][key] for key in ("name", "devices", "duration_s", "keep")}
    return _started(site.source.control.call("run_start", **fields))


def _started(answer: dict[str, Any]) -> dict[str, Any]:
    return {"id": answer["run"], "devices": answer["devices"], "started": format_utc(answer["started_utc_ns"])}


def require_run(site: Site, run_id: str) -> None:
    """Raises `Problem` 404 for a run that neither the recordings nor the recorder know."""
    if run_id not in site.source.recorder().running and all(run["id"] != run_id for run in site.source.runs()):
        raise Problem(404, f"there is no run {run_id}", field="id")
