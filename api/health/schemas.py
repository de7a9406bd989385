"""What health checks answer."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict


class Live(BaseModel):
    """The process answers."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"status": "live"}]})

    status: Literal["live"] = "live"


class Ready(BaseModel):
    """Whether each thing needed for work is there; a reason where not."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"is_ready": False, "checks": {"database": "ok", "files": "ok", "broker": "Connection refused"}}
            ]
        }
    )

    is_ready: bool
    checks: dict[str, str]
