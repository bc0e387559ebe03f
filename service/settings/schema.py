"""The known keys as a tree, read off the sections: what a place in the file may hold.

It answers for the environment ("is this a key, is it a secret?") and for error texts ("what is allowed?").
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, get_args, get_origin

from pydantic import BaseModel, SecretStr
from pydantic.fields import FieldInfo

from service.settings.sections import Settings

Where = tuple[str | int, ...]
"""A place in the configuration: ``("outlet", 1, "url")``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """``models`` are the tables it holds (several where a type chooses), ``many``: a list of them."""

    allowed: str
    secret: bool
    many: bool
    models: tuple[type[BaseModel], ...]


ROOT = Key(allowed="", secret=False, many=False, models=(Settings,))


def find(where: Where) -> Key | None:
    """The key at a place such as ``("outlet", 1, "url")``; ``None`` where there is none."""
    key = ROOT
    for name in _names(where):
        if name not in (known := _keys_of(key.models)):
            return None
        key = known[name]
    return key if key is not ROOT else None


def keys_at(where: Where) -> Mapping[str, Key]:
    """The keys that the table at ``where`` may have; ``()`` is the whole file."""
    key = find(where) if any(_names(where)) else ROOT
    return _keys_of(key.models) if key else {}


def _names(where: Where) -> list[str]:
    return [step for step in where if isinstance(step, str)]


def _keys_of(models: tuple[type[BaseModel], ...]) -> dict[str, Key]:
    return {
        field.alias or name: _key(field) for model in models for name, field in model.model_fields.items()
    }


def _key(field: FieldInfo) -> Key:
    parts = tuple(_parts(field.annotation))
    models = tuple(part for part in parts if isinstance(part, type) and issubclass(part, BaseModel))
    many = bool(models) and tuple in parts
    return Key(
        allowed=field.description
        or next(_descriptions(field.annotation), "a list of tables" if many else "a table"),
        secret=SecretStr in parts,
        many=many,
        models=models,
    )


def _descriptions(annotation: Any) -> Iterator[str]:
    """The descriptions inside: ``Panels | None`` carries that of ``Panels``."""
    for part in _parts(annotation):
        if get_origin(part) is Annotated:
            yield from (note.description for note in get_args(part)[1:] if getattr(note, "description", None))


def _parts(annotation: Any) -> Iterator[Any]:
    """Every type that an annotation is put together from, itself and its generic origins included."""
    origin = get_origin(annotation)
    yield annotation
    if origin is Annotated:
        yield from _parts(get_args(annotation)[0])
    elif origin is not None:
        yield origin
        for argument in get_args(annotation):
            yield from _parts(argument)
