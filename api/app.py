"""Assembles the HTTP service."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version

from fastapi import FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.staticfiles import StaticFiles

from api import schemas
from api.audit import endpoints as audit
from api.features import endpoints as features
from api.health import endpoints as health
from api.health.figures import JobFigures, PlaceFigures, StoreFigures
from api.inspections import endpoints as inspections
from api.inspections import events, form, reports
from api.keys import endpoints as keys
from api.metrics import Metrics
from api.middleware import BodyLimit, Guard, RequestContext
from api.openapi import add_description, operation_id
from api.pages import endpoints as pages
from api.pages import sharing as page_sharing
from api.pages.rendering import FOLDER
from api.parts import endpoints as parts
from api.problems import add_problem_handlers
from api.repeatability import endpoints as repeatability
from api.request_shape import RequestShape
from api.resources import Resources, Sender
from api.sender import CelerySender
from api.sessions import endpoints as sessions
from api.sharing import endpoints as links
from api.sharing import guests
from api.sharing import remark_endpoints as remarks
from api.subscriptions import endpoints as subscriptions
from api.upkeep import upkeep
from api.uploads import endpoints as uploads
from api.uploads import tus
from shared.database import migrate, open_database
from shared.filestore import FileStore
from shared.settings import Settings
from shared.stores import open_store

DESCRIPTION = (
    "Send the CAD and a scan of a printed prototype or a first casting; get back a report that says what is wrong "
    "with the piece, where, by how much, and how sure that is. Lengths are millimetres inside reports."
)
# Routes with a fixed word must come before those with an id in its place.
ROUTERS = (
    tus, uploads, parts, features, form, reports, events, links, remarks, inspections, repeatability, subscriptions,
    keys, audit, health, schemas, sessions, guests, pages, page_sharing,
)  # fmt: skip


def create_app(settings: Settings, sender: Sender | None = None, store: FileStore | None = None) -> FastAPI:
    """The application: tables brought up to date, everything in its place, nothing listening yet."""
    migrate(settings)
    resources = Resources(
        settings=settings,
        database=open_database(settings),
        store=store or open_store(settings),
        sender=sender or CelerySender(settings),
        metrics=Metrics(),
    )
    figures = (
        JobFigures(resources.database),
        PlaceFigures(settings),
        StoreFigures(resources.database, resources.store),
    )
    for one in figures:
        resources.metrics.registry.register(one)
    app = FastAPI(
        title="Firstpour",
        version=version("firstpour"),
        description=DESCRIPTION,
        openapi_url="/v1/openapi.json",
        docs_url=None,  # its page loads scripts from elsewhere
        redoc_url=None,
        generate_unique_id_function=operation_id,
        lifespan=_lifespan,
    )
    app.state.resources = resources
    app.state.routers = tuple(module.router for module in ROUTERS)
    for module in ROUTERS:
        app.include_router(module.router)
    app.mount("/static", StaticFiles(directory=FOLDER / "static"), name="static")
    add_problem_handlers(app)
    add_description(app)
    app.add_middleware(BodyLimit, limit_bytes=settings.json_body_limit_bytes)  # innermost first
    app.add_middleware(Guard, settings=settings)
    app.add_middleware(RequestShape)
    app.add_middleware(RequestContext, metrics=resources.metrics)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    resources: Resources = app.state.resources
    async with upkeep(resources):
        yield
    resources.closing.set()
    await run_in_threadpool(resources.database.close)
