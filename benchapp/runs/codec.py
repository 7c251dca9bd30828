"""Runs, tools and references as JSON-able data and back, without loss.

One rule for all: a dataclass becomes a mapping of its fields, a tuple a list, a frozenset a sorted list, an enum its
value, a date its ISO text; numbers stay numbers (Python writes a float so that it reads back to the same bits).
Reading goes by the field types of the dataclasses, so a field added to one of them with a default needs nothing here:
older data lack it and get the default.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
import types
import typing
from collections.abc import Callable, Hashable, Mapping
from enum import Enum
from functools import lru_cache
from math import isfinite
from typing import Any, TypeVar, Union

from benchapp.metrology.tool import Tool
from benchapp.runs.model import CapturedPull, Run, RunPlan

T = TypeVar("T")


class CodecError(ValueError):
    """Data that are none of ours; `where` is the path to the place, e.g. ``Run.pulls[3].pull.flags``."""

    def __init__(self, where: str, reason: str) -> None:
        super().__init__(f"{where}: {reason}")
        self.where = where


def to_data(value: object) -> Any:
    """Return `value` as JSON-able data: mappings, lists, text, numbers, truth values and None.

    Raises:
        CodecError: A number that is not finite (JSON has none), or a type that does not belong into a run.
    """
    try:
        return _quick(value)
    except _NotPlainError:
        return _encode(value, type(value).__name__)  # says where


def from_data(cls: type[T], data: object) -> T:
    """Return the `cls` that `to_data` wrote as `data`.

    Raises:
        CodecError: A field is missing that has no default, is unknown, or has the wrong type; the path is named.
    """
    try:
        return typing.cast(T, _reader(typing.cast(Hashable, cls))(data))
    except _NotPlainError:
        return typing.cast(T, _decode(cls, data, cls.__name__))  # says where


def run_to_data(run: Run) -> dict[str, Any]:
    """Return a run as data."""
    return typing.cast(dict[str, Any], to_data(run))


def run_from_data(data: Mapping[str, Any]) -> Run:
    """Return the run; raises `CodecError`."""
    return from_data(Run, data)


def plan_to_data(plan: RunPlan) -> dict[str, Any]:
    """Return a plan as data."""
    return typing.cast(dict[str, Any], to_data(plan))


def plan_from_data(data: Mapping[str, Any]) -> RunPlan:
    """Return the plan; raises `CodecError`."""
    return from_data(RunPlan, data)


def captured_from_data(data: Mapping[str, Any]) -> CapturedPull:
    """Return the captured pull; raises `CodecError`."""
    return from_data(CapturedPull, data)


def tool_from_data(data: Mapping[str, Any]) -> Tool:
    """Return the tool; raises `CodecError`."""
    return from_data(Tool, data)


class _NotPlainError(Exception):
    """Something that `_quick` leaves to `_encode`, or a reader to `_decode`."""


@lru_cache(maxsize=256)
def _field_names(cls: type) -> tuple[str, ...] | None:
    return tuple(field.name for field in dataclasses.fields(cls)) if dataclasses.is_dataclass(cls) else None


def _quick(value: object) -> Any:
    """The same as `_encode` at a third of the time, since it keeps no path: a pull is stored with every click."""
    cls: Any = type(value)
    if value is None or cls is str or cls is bool or cls is int:
        return value
    if cls is float:
        if math.isfinite(value):  # type: ignore[arg-type]
            return value
        raise _NotPlainError
    names = _field_names(cls)
    if names is not None:
        return {name: _quick(getattr(value, name)) for name in names}
    if cls is tuple or cls is list:
        return [_quick(item) for item in value]  # type: ignore[attr-defined]
    if isinstance(value, Enum):
        return value._value_
    if cls is dict:
        if all(type(key) is str for key in value):  # type: ignore[attr-defined]
            return {key: _quick(item) for key, item in value.items()}  # type: ignore[attr-defined]
        raise _NotPlainError
    if isinstance(value, (frozenset, set)):
        return sorted(map(_quick, value))
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value.isoformat()
    if isinstance(value, float) and math.isfinite(value):
        return float(value)
    raise _NotPlainError


def _encode(value: object, where: str) -> Any:
    if isinstance(value, Enum):  # before text: our enums are StrEnum
        return value.value
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise CodecError(where, f"{value} is no finite number")
        return float(value)  # also turns numpy's float64 into Python's
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value.isoformat()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: _encode(getattr(value, field.name), f"{where}.{field.name}")
            for field in dataclasses.fields(value)
        }
    if isinstance(value, Mapping):
        if not all(isinstance(key, str) for key in value):
            raise CodecError(where, "a key is not text")
        return {key: _encode(item, f"{where}[{key!r}]") for key, item in value.items()}
    if isinstance(value, (frozenset, set)):
        return sorted(_encode(item, where) for item in value)
    if isinstance(value, (tuple, list)):
        return [_encode(item, f"{where}[{index}]") for index, item in enumerate(value)]
    raise CodecError(where, f"a {type(value).__name__} does not belong here")


@lru_cache(maxsize=256)
def _reader(hint: Hashable) -> Callable[[Any], Any]:
    """Return what reads data of this type as `_decode` does, in a fifth of the time: types are looked at once.

    It reads what JSON gives (dict, list, text, numbers, truth values, None), keeps no path and leaves everything else
    to `_decode`. The years of a tool are some dozen runs that are read before anything is painted.
    """
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if hint is Any or hint is object:
        return lambda data: data
    if origin in (Union, types.UnionType):
        choices = [each for each in arguments if each is not type(None)]
        if len(choices) == 1 and len(arguments) == 2:
            return _reader_or_none(choices[0])
        return lambda data: _decode_optional(hint, data, "")  # by turns: rare, and its own affair
    if origin is tuple:
        return _tuple_reader(arguments)
    if origin is frozenset:
        each_of_set = _reader(arguments[0])
        return lambda data: frozenset(map(each_of_set, _plain_list(data)))
    if origin in (dict, Mapping):
        each_of_table = _reader(arguments[1])
        return lambda data: {key: each_of_table(item) for key, item in _plain_table(data).items()}
    if dataclasses.is_dataclass(hint):
        return _dataclass_reader(typing.cast(type, hint))
    return _plain_reader(hint)


def _plain_list(data: Any) -> list[Any]:
    if type(data) is not list:
        raise _NotPlainError
    return data


def _plain_table(data: Any) -> dict[str, Any]:
    if type(data) is not dict:
        raise _NotPlainError
    return data


def _plain_reader(hint: Any) -> Callable[[Any], Any]:
    if hint is float:

        def read_float(data: Any) -> Any:
            if type(data) is float and isfinite(data):
                return data
            if type(data) is int:  # canonical JSON writes 8.0 as 8
                return float(data)
            raise _NotPlainError

        return read_float
    if isinstance(hint, type) and issubclass(hint, Enum):
        members = {member.value: member for member in hint}

        def read_member(data: Any) -> Any:
            if type(data) is str and data in members:
                return members[data]
            raise _NotPlainError

        return read_member
    if hint in (str, bool, int):

        def read_same(data: Any) -> Any:
            if type(data) is hint:
                return data
            raise _NotPlainError

        return read_same

    def read_other(data: Any) -> Any:
        try:
            return _decode_plain(hint, data, "")
        except CodecError:
            raise _NotPlainError from None

    return read_other


def _reader_or_none(hint: Any) -> Callable[[Any], Any]:
    read = _reader(hint)
    return lambda data: None if data is None else read(data)


def _tuple_reader(items: tuple[Any, ...]) -> Callable[[Any], Any]:
    if len(items) == 2 and items[1] is Ellipsis:
        each = _reader(items[0])
        return lambda data: tuple(map(each, _plain_list(data)))
    readers = [_reader(item) for item in items]

    def read_tuple(data: Any) -> Any:
        if len(_plain_list(data)) != len(readers):
            raise _NotPlainError
        return tuple(read(item) for read, item in zip(readers, data, strict=True))

    return read_tuple


def _dataclass_reader(cls: type) -> Callable[[Any], Any]:
    hints = _hints(cls)
    readers = {field.name: _reader(hints[field.name]) for field in dataclasses.fields(cls)}

    def read_dataclass(data: Any) -> Any:
        try:
            return cls(**{name: readers[name](item) for name, item in _plain_table(data).items()})
        except (KeyError, TypeError, ValueError):  # unknown, missing, refused: `_decode` says which and where
            raise _NotPlainError from None

    return read_dataclass


@lru_cache(maxsize=64)
def _hints(cls: type) -> dict[str, Any]:
    return typing.get_type_hints(cls)


def _decode(hint: Any, data: Any, where: str) -> Any:
    if hint is Any or hint is object:
        return data
    origin = typing.get_origin(hint)
    if origin in (Union, types.UnionType):
        return _decode_optional(hint, data, where)
    if origin is tuple:
        return _decode_tuple(typing.get_args(hint), data, where)
    if origin is frozenset:
        (item,) = typing.get_args(hint)
        return frozenset(_decode(item, each, where) for each in _listed(data, where))
    if origin in (dict, Mapping):
        if not isinstance(data, Mapping):
            raise CodecError(where, f"a table was expected, not {data!r}")
        _, item = typing.get_args(hint)
        return {key: _decode(item, each, f"{where}[{key!r}]") for key, each in data.items()}
    if dataclasses.is_dataclass(hint):
        return _decode_dataclass(typing.cast(type, hint), data, where)
    return _decode_plain(hint, data, where)


def _decode_plain(hint: Any, data: Any, where: str) -> Any:
    if isinstance(hint, type) and issubclass(hint, Enum):
        try:
            return hint(data)
        except ValueError:
            known = ", ".join(str(member.value) for member in hint)
            raise CodecError(where, f"{data!r} is none of {known}") from None
    if hint is dt.date:
        try:
            return dt.date.fromisoformat(data)
        except (TypeError, ValueError):
            raise CodecError(where, f"{data!r} is no date") from None
    if hint is float:
        if isinstance(data, (int, float)) and not isinstance(data, bool) and math.isfinite(data):
            return float(data)
    elif (hint is int and isinstance(data, int) and not isinstance(data, bool)) or (
        hint in (str, bool) and isinstance(data, hint)
    ):
        return data
    raise CodecError(where, f"{data!r} is no {getattr(hint, '__name__', hint)}")


def _decode_optional(hint: Any, data: Any, where: str) -> Any:
    choices = typing.get_args(hint)
    if data is None and type(None) in choices:
        return None
    failure: CodecError | None = None
    for choice in choices:
        if choice is type(None):
            continue
        try:
            return _decode(choice, data, where)
        except CodecError as error:
            failure = failure or error
    raise failure or CodecError(where, f"{data!r} was not expected")


def _listed(data: Any, where: str) -> list[Any]:
    if not isinstance(data, (list, tuple)):
        raise CodecError(where, f"a list was expected, not {data!r}")
    return list(data)


def _decode_tuple(items: tuple[Any, ...], data: Any, where: str) -> tuple[Any, ...]:
    listed = _listed(data, where)
    if len(items) == 2 and items[1] is Ellipsis:
        return tuple(_decode(items[0], each, f"{where}[{index}]") for index, each in enumerate(listed))
    if len(listed) != len(items):
        raise CodecError(where, f"{len(items)} entries were expected, not {len(listed)}")
    return tuple(
        _decode(item, each, f"{where}[{index}]") for index, (item, each) in enumerate(zip(items, listed, strict=True))
    )


def _decode_dataclass(cls: type, data: Any, where: str) -> Any:
    if not isinstance(data, Mapping):
        raise CodecError(where, f"a table was expected, not {data!r}")
    hints = _hints(cls)
    unknown = sorted(set(data) - set(hints))
    if unknown:
        raise CodecError(where, f"unknown {', '.join(unknown)}; written by a newer version?")
    values: dict[str, Any] = {}
    for field in dataclasses.fields(cls):
        if field.name in data:
            values[field.name] = _decode(hints[field.name], data[field.name], f"{where}.{field.name}")
        elif field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING:
            raise CodecError(where, f"{field.name} is missing")
    try:
        return cls(**values)
    except (TypeError, ValueError) as error:
        raise CodecError(where, str(error)) from error
