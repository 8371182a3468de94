"""The application: routes, assets, problem bodies, and the guard around all of them."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import FastAPI
from fastapi.responses import FileResponse
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from loadlog.web import api, openapi, orders, problems, review, sessions
from loadlog.web.proxy import BehindProxies
from loadlog.web.security import Guard
from loadlog.web.site import Site

ASSETS = Path(__file__).parent / "assets"


def page_digest() -> str:
    """Changes with the files of the page, also where the version number stays."""
    digest = hashlib.sha256()
    for path in sorted(ASSETS.iterdir()):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]


def build_app(site: Site) -> ASGIApp:
    """The ASGI application of one bench; ends its streams when it is shut down."""

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        await site.hub.close()
        await asyncio.to_thread(site.close)

    app = FastAPI(
        title="loadlog",
        version=site.software.rpartition(" ")[2],
        summary="One bench: devices, samples, events, runs",
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.site = site
    problems.install(app)
    app.include_router(api.router)
    app.include_router(orders.router)
    app.include_router(review.router)
    app.include_router(sessions.router)
    app.openapi = lambda: openapi.describe(app, site.access)  # type: ignore[method-assign]

    @app.get("/", include_in_schema=False)
    async def page() -> FileResponse:
        return FileResponse(ASSETS / "index.html", headers={"cache-control": "no-cache"})

    app.mount("/assets", StaticFiles(directory=ASSETS), name="assets")
    app.add_middleware(GZipMiddleware, minimum_size=1024, compresslevel=5)  # a plot's answer: 2 ms for 10 % more than 20 ms give
    guarded = Guard(app, site.access, site.limits, site.utc_s)  # outside of everything, so that a fault's answer carries its headers too
    return BehindProxies(guarded, site.trusted_proxies) if site.trusted_proxies else guarded
