"""The application: routes, assets, problem bodies, and the guard around all of them."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import FastAPI
from fastapi.responses import FileResponse
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles

from loadlog.web import api, orders, problems
from loadlog.web.security import Guard
from loadlog.web.site import Site

ASSETS = Path(__file__).parent / "assets"


def build_app(site: Site) -> FastAPI:
    """The ASGI application of one bench; ends its streams when it is shut down."""

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        await site.hub.close()

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

    @app.get("/", include_in_schema=False)
    async def page() -> FileResponse:
        return FileResponse(ASSETS / "index.html", headers={"cache-control": "no-cache"})

    app.mount("/assets", StaticFiles(directory=ASSETS), name="assets")
    app.add_middleware(GZipMiddleware, minimum_size=1024)
    app.add_middleware(Guard, access=site.access, failures=site.failures, utc_s=site.utc_s)
    return app
