"""Pydantic models derived from the parameter dataclasses, and their errors in plain words.

Nothing about a part is written twice: field names, units and ranges come from the dataclass. A model
forbids unknown keys, reads every leaf by its annotation and hands back an instance of the dataclass
itself, on which the part's own checks have run.
"""

import dataclasses
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    PlainValidator,
    Tag,
    TypeAdapter,
    ValidationError,
    WithJsonSchema,
    create_model,
)
from pydantic_core import PydanticCustomError

from shaftloop.scenario.fields import FieldError, Leaf, leaf, nearest, shown, without_none
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.written import written
from shaftloop_models.parameters import Checked, ParameterError
from shaftloop_models.part import Part, kinds

__all__ = ["adapter", "item_kind", "readable_fields", "unknown_key", "validate"]

_OWN = "shaftloop"
"""Type of the errors whose message is ours already."""

_READ: dict[tuple[Any, str], Any] = {}
"""What was read last, by kind and text: scenarios of a study have most entries in common."""
_MOST_READ = 256


@cache
def readable_fields(cls: type) -> dict[str, tuple[Any, bool]]:
    """Return (annotation, required) of every field of a dataclass that a scenario may state."""
    hints = get_type_hints(cls, include_extras=True)
    return {
        f.name: (hints[f.name], f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING)
        for f in sorted(dataclasses.fields(cls), key=lambda f: bool(f.kw_only))
        if not f.metadata.get("filled")
    }


def item_kind(hint: Any) -> Any:
    """Return the type of the elements of a ``tuple[X, ...]``, else nothing."""
    hint = without_none(hint)
    arguments = get_args(hint)
    return arguments[0] if get_origin(hint) is tuple and arguments[1:] == (...,) else None


@cache
def adapter(kind: Any, partial: bool = False) -> TypeAdapter[Any]:
    """Return what validates a dataclass, or a union of dataclasses.

    Parameters
    ----------
    kind : type
        The dataclass or union.
    partial : bool
        True where every key may be missing, for the schema of entries that build on a part file.
    """
    return TypeAdapter(_annotation(kind, partial))


def validate(kind: Any, value: Any) -> tuple[Any, list[tuple[KeyPath, str]]]:
    """Return the instance of a dataclass, or nothing and what is wrong: (path inside value, message).

    The same value gives the same instance: do not change it.

    Parameters
    ----------
    kind : type
        The dataclass, or a union of dataclasses of which the value names one.
    value : object
        What the scenario holds.
    """
    members = _members(kind)
    key = (kind, repr(value))
    if key in _READ:
        return _READ[key], []
    try:
        # A model is built when it is first needed: a scenario uses few of the parts.
        cls = members[0] if len(members) == 1 else _select(members, value)
        instance = adapter(cls).validate_python(value)
        while len(_READ) >= _MOST_READ:
            _READ.pop(next(iter(_READ)), None)
        _READ[key] = instance
        return instance, []
    except PydanticCustomError as error:
        context = error.context or {}
        return None, [((context["key"],) if context["key"] else (), context["message"])]
    except ValidationError as error:
        return None, list(_explain(cls, error))


def unknown_key(key: object, known: Iterable[str]) -> str:
    """Return the message about a key that a table does not have."""
    names = list(known)
    return f"unknown key{nearest(key, names)}; known here: {', '.join(names)}"


def _annotation(kind: Any, partial: bool) -> Any:
    """Return the pydantic type of a nested type: dataclass, union of them, or a list of either."""
    item = item_kind(kind)
    if item is not None:
        items: Any = _annotation(item, partial)
        return Annotated[list[items], AfterValidator(tuple)]
    members = _members(kind)
    if len(members) == 1:
        return _one(members[0], partial)
    if partial:
        return Union[tuple(_one(cls, True) for cls in members)]  # noqa: UP007

    def check(value: Any) -> Any:
        _select(members, value)
        return value

    tagged: Any = Union[tuple(Annotated[_one(cls, False), Tag(_tag(cls))] for cls in members)]  # noqa: UP007
    discriminator = Discriminator(lambda value: _tag(_select(members, value)))
    # Checked once more ahead of the union: an error inside the discriminator would end the validation.
    return Annotated[tagged, discriminator, BeforeValidator(check)]


def _one(cls: type, partial: bool) -> Any:
    return _model(cls, True) if partial else Annotated[_model(cls, False), AfterValidator(_builder(cls))]


def _members(kind: Any) -> tuple[type, ...]:
    """Return the members of a union of dataclasses; a part is one of those that are known."""
    kind = without_none(kind)
    if kind is Part:
        return kinds()
    return get_args(kind) if get_origin(kind) is not None else (kind,)


def _tag(cls: type) -> str:
    return f"<{cls.__name__}>"


@cache
def _model(cls: type, partial: bool) -> type[BaseModel]:
    fields: dict[str, Any] = {}
    for name, (hint, required) in readable_fields(cls).items():
        found = leaf(name, hint)
        kind = Annotated[Any, *_leaf_validators(found)] if found else _annotation(without_none(hint), partial)
        left_out: Any = Field(default=None) if partial else _left_out(cls, name, hint)
        fields[name] = (kind, ... if required and not partial else left_out)
    doc = (cls.__doc__ or "").partition("\n")[0]
    name = cls.__name__ + ("Override" if partial else "")
    return create_model(name, __config__=ConfigDict(extra="forbid"), __doc__=doc, **fields)


def _left_out(cls: type, name: str, hint: Any) -> Any:
    """Return what pydantic makes of a key that is left out: nothing; the schema tells the default."""
    default = next(f.default for f in dataclasses.fields(cls) if f.name == name)
    known = default is not dataclasses.MISSING and leaf(name, hint) is not None
    text = written(hint, default) if known else None
    return Field(default=None, json_schema_extra=None if text in (None, []) else {"default": text})


def _leaf_validators(found: Leaf) -> tuple[Any, ...]:
    def read(value: Any) -> Any:
        try:
            return found.read(value)
        except FieldError as error:
            raise _custom(str(error)) from None

    return PlainValidator(read), WithJsonSchema(found.schema)


def _builder(cls: type) -> Callable[[BaseModel], Any]:
    def build(model: BaseModel) -> Any:
        stated = {name: getattr(model, name) for name in model.model_fields_set}
        try:
            instance = cls(**stated)
            if isinstance(instance, Checked):
                instance.check()
        except ParameterError as error:
            raise _custom(error.message, error.key) from None
        return instance

    return build


def _custom(message: str, key: str = "") -> PydanticCustomError:
    # The message goes in as a value, so that braces in it are not taken for placeholders.
    return PydanticCustomError(_OWN, "{message}", {"message": message, "key": key})


@cache
def _tag_keys(members: tuple[type, ...]) -> tuple[str, ...]:
    """Return the keys that tell the members of a union apart, e.g. ``part`` and ``model``."""
    keys: dict[str, None] = {}
    for cls in members:
        keys.update(dict.fromkeys(name for name, _ in _constants(cls)))
    return tuple(keys)


@cache
def _constants(cls: type) -> tuple[tuple[str, str], ...]:
    return tuple(
        (name, get_args(hint)[0])
        for name, (hint, _) in readable_fields(cls).items()
        if get_origin(hint) is Literal and len(get_args(hint)) == 1
    )


def _select(members: tuple[type, ...], value: Any) -> type:
    """Return the member of a union that a table means."""
    if not isinstance(value, dict):
        raise _custom(f"{shown(value)} where a table is due")
    left = members
    for key in _tag_keys(members):
        known = list(
            dict.fromkeys(dict(_constants(cls))[key] for cls in left if key in dict(_constants(cls)))
        )
        if not known:
            continue
        if key not in value:
            usual = tuple(
                cls for cls in left if key in dict(_constants(cls)) and not readable_fields(cls)[key][1]
            )
            if usual:
                left = usual
                continue
            raise _custom(f"missing: one of {', '.join(known)}", key)
        left = tuple(cls for cls in left if dict(_constants(cls)).get(key) == value[key])
        if not left:
            raise _custom(
                f"{shown(value[key])} is not one of: {', '.join(known)}{nearest(value[key], known)}", key
            )
    return left[0]


def _explain(kind: Any, error: ValidationError) -> Iterator[tuple[KeyPath, str]]:
    for detail in error.errors(include_url=False):
        unknown = detail["type"] == "extra_forbidden"
        inner = detail["loc"][:-1] if unknown else detail["loc"]
        # An unknown key may look like anything, even like the tag of a member of a union.
        path = tuple(key for key in inner if not str(key).startswith("<")) + detail["loc"][len(inner) :]
        context = detail.get("ctx", {})
        if detail["type"] == _OWN:
            yield (*path, *([context["key"]] if context["key"] else [])), context["message"]
            continue
        owner = _owner(kind, detail["loc"][:-1])
        if detail["type"] == "missing":
            yield path, _missing(owner, str(path[-1]))
        elif unknown:
            absent = owner.absent if issubclass(owner, Part) else {}
            yield path, absent.get(str(path[-1])) or unknown_key(path[-1], readable_fields(owner))
        elif detail["type"] in ("list_type", "tuple_type"):
            yield path, f"{shown(detail['input'])} where a list is due"
        else:
            yield path, f"{shown(detail['input'])} where a table is due"


def _missing(owner: type, key: str) -> str:
    found = leaf(key, readable_fields(owner)[key][0])
    if found is None:
        return f"missing: a table {{ ... }} or [{key}]"
    return f"missing: {found.doc}; write e.g. {key} = {found.example}"


def _owner(kind: Any, loc: tuple[int | str, ...]) -> type:
    """Return the dataclass that a location of pydantic lies in."""
    for key in loc:
        if isinstance(key, int):
            kind = item_kind(kind)
        elif key.startswith("<"):
            kind = next(cls for cls in _members(kind) if _tag(cls) == key)
        else:
            hint = readable_fields(_members(kind)[0])[key][0]
            kind = without_none(get_args(hint)[0] if get_origin(hint) is Annotated else hint)
    return _members(kind)[0]
