"""What a source and an outlet must keep alike: the form of their Settings (runtime/contracts.py)."""

from __future__ import annotations

from types import ModuleType
from typing import Any, Literal, get_args, get_origin

import pytest
from mosquitto import free_port
from pydantic import BaseModel, ValidationError


def settings_alone(module: ModuleType, **otherwise: Any) -> Any:
    """Settings whose other side is missing: the module's example, else its defaults and `otherwise`.

    A port among them is one that nobody listens on.
    """
    model: type[BaseModel] = module.Settings
    extra = model.model_config.get("json_schema_extra")
    examples = extra.get("examples") if isinstance(extra, dict) else None
    field = model.model_fields.get("port")
    port = {"port": free_port()} if field is not None and field.annotation is int else {}
    if isinstance(examples, list) and isinstance(examples[0], dict):
        return model.model_validate({**examples[0], **port})
    return model.model_validate({**otherwise, **port})


def check_settings(kind: str, model: type[BaseModel], settings: BaseModel) -> None:
    """Unknown keys are refused, values cannot be changed, `kind` is the file's name alone."""
    annotation = model.model_fields["kind"].annotation
    assert (get_origin(annotation), get_args(annotation)) == (Literal, (kind,))
    with pytest.raises(ValidationError):
        settings.kind = "other"  # type: ignore[attr-defined]
    with pytest.raises(ValidationError):
        model.model_validate(settings.model_dump() | {"no_such_key": 1})
    with pytest.raises(ValidationError):
        model.model_validate(settings.model_dump() | {"kind": "other"})
