"""The post-mortem of a run, computed outside of this process: asked for here, and waited for without holding a thread."""

from __future__ import annotations

import asyncio
import gzip
from typing import Annotated, Any

from fastapi import Depends, Path, Query, Request
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool

from loadlog.config import nearest
from loadlog.model.errors import RefusedError
from loadlog.web.problems import Problem
from loadlog.web.site import Site, Working, Written, site_of
from loadlog.web.strict import make_router

router = make_router("/api/runs")
SiteOf = Annotated[Site, Depends(site_of)]
RunId = Annotated[str, Path(max_length=80, description="a run's id, as GET /api/runs lists it")]
Wait = Annotated[float, Query(ge=0, le=30, description="how long to wait for the result, in s")]
LOOK_S = 0.1
_WORKING: dict[int | str, dict[str, Any]] = {
    202: {"description": "Not there yet: `done` of `total` samples were read, `before` other runs come first. Ask again."},
    404: {"description": "There is no such run (field `id`)."},
    503: {"description": "It could not be made, or too many wait."},
}


@router.get("/{run_id}/review", summary="Post-mortem of a run", responses=_WORKING, response_class=JSONResponse)
async def review(run_id: RunId, site: SiteOf, request: Request, wait_s: Wait = 8.0) -> Response:
    """As `loadlog review RUN --json`: verdict, first cause, timeline as a partial order, figures, acceptance, health of the
    data. Kept once the run has ended; made anew now and then while it is on."""
    found = await _found(site, run_id, wait_s)
    if isinstance(found, JSONResponse):
        return found
    return await _sent(request, found.json_gz, "application/json", {})


@router.get(
    "/{run_id}/review.html", summary="Post-mortem of a run as one HTML file, for download", responses=_WORKING, response_class=Response
)
async def report(run_id: RunId, site: SiteOf, request: Request, wait_s: Wait = 30.0) -> Response:
    """As `loadlog review RUN --html FILE`: plots and all, opens anywhere without a network."""
    found = await _found(site, run_id, wait_s)
    if isinstance(found, JSONResponse):
        return found
    return await _sent(request, found.html_gz, "text/html; charset=utf-8", {"content-disposition": f'attachment; filename="{run_id}.html"'})


async def _found(site: Site, run_id: str, wait_s: float) -> Written | JSONResponse:
    ended_utc_ns = await run_in_threadpool(_end_of, site, run_id)
    loop = asyncio.get_running_loop()
    until_s = loop.time() + wait_s
    while True:
        try:
            found: Written | Working = site.review(run_id, ended_utc_ns)
        except RefusedError as exc:
            raise Problem(503, str(exc), headers={"retry-after": "5"}) from exc
        if not isinstance(found, Working):
            return found
        if loop.time() >= until_s:
            state = {"state": "working", "done": found.done, "total": found.total, "before": found.before}
            return JSONResponse(state, 202, headers={"retry-after": "1"})
        await asyncio.sleep(LOOK_S)


def _end_of(site: Site, run_id: str) -> int | None:
    """When a run ended, UTC ns; None while it is on. Raises `Problem` 404 for none."""
    for run in site.source.run_infos():
        if run.id == run_id:
            return run.ended_utc_ns
    raise Problem(404, f"there is no run {run_id!r}{nearest(run_id, [run.id for run in site.source.run_infos()])}", field="id")


async def _sent(request: Request, body_gz: bytes, media_type: str, headers: dict[str, str]) -> Response:
    """Compressed as it was kept, where the reader takes that."""
    headers = {**headers, "cache-control": "no-cache", "vary": "Accept-Encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(body_gz, media_type=media_type, headers={**headers, "content-encoding": "gzip"})
    return Response(
        await run_in_threadpool(gzip.decompress, body_gz), media_type=media_type, headers={**headers, "content-encoding": "identity"}
    )
