"""The one renderer of errors: RFC 9457 problem details with our stable ``code``, ``advice`` and ``data``."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy.exc import OperationalError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from api.backpressure import storage_full
from api.negotiation import prefers_html
from api.pages.rendering import problem_page, sign_in_page
from shared import database, errors, filestore
from shared.errors import FirstpourError

MEDIA_TYPE = "application/problem+json"
INTERNAL = "internal_error"
ADVICE_INTERNAL = "Nothing is wrong with your request. Try again; if it stays, report the request id below."
ADVICE_AGAIN = "Send it again in some seconds, with the same Idempotency-Key if you gave one."
DATABASE_RETRY_S = 5
STORE_RETRY_S = 15
log = structlog.get_logger(__name__)

STATUS: Mapping[str, int] = MappingProxyType(
    {
        errors.FirstpourError.code: 500,
        errors.InputError.code: 422,
        errors.FileRejected.code: 422,
        errors.FileEmpty.code: 422,
        errors.FileTooLarge.code: 413,
        errors.FileTruncated.code: 422,
        errors.FileCorrupt.code: 422,
        errors.FileKindUnknown.code: 422,
        errors.FileKindWrong.code: 422,
        errors.FileValuesInvalid.code: 422,
        errors.FileExpandsTooFar.code: 422,
        errors.ReaderDied.code: 422,
        errors.UnitMissing.code: 422,
        errors.UnitMismatch.code: 422,
        errors.PlanInvalid.code: 422,
        errors.RequestInvalid.code: 422,
        errors.RequestTooLarge.code: 413,
        errors.UriTooLong.code: 414,
        errors.HeadersTooLarge.code: 431,
        errors.RangeRefused.code: 416,
        errors.RequestForbidden.code: 403,
        errors.MethodNotAllowed.code: 405,
        errors.MediaTypeUnsupported.code: 415,
        errors.IdempotencyKeyReused.code: 422,
        errors.UrlRefused.code: 422,
        errors.UploadIncomplete.code: 400,
        errors.ChecksumMismatch.code: 460,  # the status the tus 1.0 checksum extension prescribes
        errors.ProtocolVersionUnsupported.code: 412,
        errors.AccessRefused.code: 403,
        errors.Unauthenticated.code: 401,
        errors.ScopeMissing.code: 403,
        errors.LimitReached.code: 429,
        errors.RateLimited.code: 429,
        errors.JobQuotaReached.code: 429,
        errors.StorageQuotaReached.code: 507,
        errors.NotFound.code: 404,
        errors.PassphraseWrong.code: 403,
        errors.PassphraseNeeded.code: 403,
        errors.LinkForbids.code: 403,
        errors.TooManyTries.code: 429,
        errors.UploadExpired.code: 410,
        errors.FileSwept.code: 410,
        errors.Conflict.code: 409,
        errors.ReportNotReady.code: 409,
        errors.FeaturesNotReady.code: 409,
        errors.UploadBusy.code: 423,
        errors.ServiceUnavailable.code: 503,
        errors.QueueFull.code: 429,
        errors.StorageFull.code: 507,
        INTERNAL: 500,
    }
)


class Problem(BaseModel):
    """What every refused or failed request answers."""

    model_config = ConfigDict(frozen=True)

    type: str = Field(examples=["urn:firstpour:problem:not_found"])
    title: str = Field(examples=["Not found"])
    status: int = Field(examples=[404])
    detail: str = Field(description="What is wrong, naming the file or field.")
    code: str = Field(description="Stable word for programs.", examples=["not_found"])
    advice: str = Field(description="What to do about it.")
    data: dict[str, str | int | float | bool | list[str] | None] = Field(default_factory=dict)
    instance: str | None = Field(default=None, description="Id of the request, as in our log.")


def problem_of(error: FirstpourError, request_id: str | None = None) -> Problem:
    """The body that tells of an error."""
    return Problem(
        type=f"urn:firstpour:problem:{error.code}",
        title=error.code.replace("_", " ").capitalize(),
        status=STATUS[error.code],
        detail=error.message,
        code=error.code,
        advice=error.advice,
        data=error.data,
        instance=f"urn:firstpour:request:{request_id}" if request_id else None,
    )


def declared(*kinds: type[FirstpourError]) -> dict[int | str, dict[str, Any]]:
    """Entry for ``responses=`` of an endpoint that may raise these."""
    by_status: dict[int | str, dict[str, Any]] = {}
    for kind in kinds:
        entry = by_status.setdefault(STATUS[kind.code], {"model": Problem, "description": "", "content": {}})
        content = entry["content"].setdefault(MEDIA_TYPE, {"examples": {}})
        content["schema"] = {"$ref": "#/components/schemas/Problem"}
        content["examples"][kind.code] = {"value": _example(kind)}
        entry["description"] = "; ".join(filter(None, (entry["description"], _first_sentence(kind))))
    return by_status


def add_problem_handlers(app: FastAPI) -> None:
    """Send every expected error of the application through the renderer; the middleware renders the others."""
    app.add_exception_handler(FirstpourError, _on_expected)
    app.add_exception_handler(RequestValidationError, _on_validation)
    app.add_exception_handler(HTTPException, _on_http)
    app.add_exception_handler(OSError, _on_disk_error)
    app.add_exception_handler(OperationalError, _on_database_error)


def render(request: Request, problem: Problem, headers: Mapping[str, str] | None = None) -> Response:
    """Problem details, or a page saying the same to a browser."""
    if prefers_html(request):
        if problem.code == errors.Unauthenticated.code:
            return sign_in_page(request, problem.status, headers)
        return problem_page(request, problem.model_dump(), problem.status, headers)
    return JSONResponse(problem.model_dump(), problem.status, headers, media_type=MEDIA_TYPE)


def internal_problem(request: Request) -> Response:
    """A fault of ours: the request id finds it in the log."""
    problem = Problem(
        type=f"urn:firstpour:problem:{INTERNAL}",
        title="Internal error",
        status=STATUS[INTERNAL],
        detail="Something went wrong on our side.",
        code=INTERNAL,
        advice=ADVICE_INTERNAL,
        instance=f"urn:firstpour:request:{_request_id(request)}",
    )
    return render(request, problem)


async def _on_expected(request: Request, error: Exception) -> Response:
    assert isinstance(error, FirstpourError)  # noqa: S101 - tells the type checker what the registration says
    problem = problem_of(error, _request_id(request))
    log.info("request_refused", code=error.code, status=problem.status, detail=error.message)
    return render(request, problem, _headers_of(error))


async def _on_disk_error(request: Request, error: Exception) -> Response:
    if isinstance(error, OSError) and filestore.is_disk_full(error):
        return await _on_expected(request, storage_full("The server's disk is full."))
    if isinstance(error, filestore.StoreAway):
        log.warning("store_away", reason=str(error))
        away = errors.ServiceUnavailable(
            "The file store cannot be reached at the moment.", advice=ADVICE_AGAIN, retry_after_s=STORE_RETRY_S
        )
        return await _on_expected(request, away)
    raise error  # a fault of ours: the middleware tells and logs it


async def _on_database_error(request: Request, error: Exception) -> Response:
    """A database that is full or away; what was under way was rolled back."""
    if isinstance(error, OperationalError) and database.is_disk_full(error):
        return await _on_expected(request, storage_full("The disk of the server's database is full."))
    log.warning("database_away", exc_info=error)
    away = errors.ServiceUnavailable(
        "The database cannot be reached at the moment.",
        advice=ADVICE_AGAIN,
        retry_after_s=DATABASE_RETRY_S,
    )
    return await _on_expected(request, away)


async def _on_validation(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)  # noqa: S101 - as above
    faults = [f"{_path(one['loc'])}: {one['msg'].removeprefix('Value error, ')}" for one in error.errors()]
    refused = errors.RequestInvalid(
        f"The request cannot be used: {'; '.join(faults)}.",
        advice="Correct the fields named; the description of the interface is at /v1/openapi.json.",
        faults=faults,
    )
    return await _on_expected(request, refused)


async def _on_http(request: Request, error: Exception) -> Response:
    """Refusals of the framework itself; it wraps what is raised while it reads a body."""
    if isinstance(error.__cause__, FirstpourError):
        return await _on_expected(request, error.__cause__)
    assert isinstance(error, HTTPException)  # noqa: S101 - as above
    path = request.url.path
    refused: FirstpourError
    if error.status_code == 404:
        refused = errors.NotFound(f"There is nothing at {path}.", advice="See /v1/openapi.json for what there is.")
    elif error.status_code == 405:
        refused = errors.MethodNotAllowed(f"{path} does not answer {request.method}.", advice="See /v1/openapi.json.")
    else:
        refused = errors.RequestInvalid(f"{error.detail}.", advice="See /v1/openapi.json.")
    problem = problem_of(refused, _request_id(request))
    return render(request, problem, error.headers)


def _headers_of(error: FirstpourError) -> dict[str, str]:
    """Headers that go with a status: RFC 9110, 11.6.1 and 10.2.3."""
    headers = {"WWW-Authenticate": 'Bearer realm="firstpour"'} if isinstance(error, errors.Unauthenticated) else {}
    if "retry_after_s" in error.data:
        headers["Retry-After"] = str(error.data["retry_after_s"])
    return headers


def _request_id(request: Request) -> str | None:
    found: str | None = request.scope.get("firstpour_request_id")
    return found


def _path(location: tuple[int | str, ...]) -> str:
    return ".".join(str(step) for step in location)


def _first_sentence(kind: type[FirstpourError]) -> str:
    return (kind.__doc__ or "").split("\n", 1)[0].rstrip(".").replace("``", "")


def _example(kind: type[FirstpourError]) -> dict[str, Any]:
    example = Problem(
        type=f"urn:firstpour:problem:{kind.code}",
        title=kind.code.replace("_", " ").capitalize(),
        status=STATUS[kind.code],
        detail=f"{_first_sentence(kind)}.",
        code=kind.code,
        advice="What to do about it.",
        instance="urn:firstpour:request:7c1f0a9b2d3e4f50",
    )
    return example.model_dump()
