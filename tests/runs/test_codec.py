"""What is saved reads back equal, and what is none of ours is refused with the place."""

import dataclasses
import datetime as dt
import json
import math
import typing
from enum import Enum

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool
from benchapp.pulls.pull import Pull
from benchapp.runs import codec
from benchapp.runs.model import CapturedPull, Run, RunPlan
from drivers.samples import Source

FINITE = st.floats(allow_nan=False, allow_infinity=False)
JSON_DATA = st.recursive(
    st.none() | st.booleans() | st.integers() | FINITE | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


def values_of(hint):
    """Random values by type, found on another way than the codec's own walk: hypothesis builds the objects."""
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if hint is float:
        return FINITE
    if hint is object:
        return JSON_DATA
    if hint is str:
        return st.text(max_size=12)
    if hint is int:
        return st.integers()
    if hint is bool:
        return st.booleans()
    if hint is type(None):
        return st.none()
    if hint is dt.date:
        return st.dates()
    if isinstance(hint, type) and issubclass(hint, Enum):
        return st.sampled_from(list(hint))
    if dataclasses.is_dataclass(hint):
        hints = typing.get_type_hints(hint)
        return st.builds(hint, **{name: st.deferred(lambda h=h: values_of(h)) for name, h in hints.items()})
    if origin is tuple:
        if args[1:] == (Ellipsis,):
            return st.lists(values_of(args[0]), max_size=2).map(tuple)
        return st.tuples(*map(values_of, args))
    if origin is frozenset:
        return st.frozensets(values_of(args[0]), max_size=3)
    if origin is dict:
        return st.dictionaries(st.text(max_size=6), values_of(args[1]), max_size=2)
    return st.one_of(*map(values_of, args))


@pytest.mark.parametrize("cls", [Run, RunPlan, CapturedPull, Pull, Tool, Reference])
def test_what_is_written_reads_back_equal_through_json(cls):
    @settings(max_examples=25, deadline=None)
    @given(values_of(cls))
    def check(value):
        text = json.dumps(codec.to_data(value), allow_nan=False)
        again = codec.from_data(cls, json.loads(text))
        assert again == value
        assert repr(again) == repr(value) or cls in (Run, RunPlan)  # a frozenset's order is free

    check()


def tool_data(**changes):
    return {
        "number": "OCF-014",
        "tool_type": "II",
        "tool_class": "A",
        "unit": "N·m",
        "lowest": 8,
        "highest": 40.0,
        **changes,
    }


def test_a_field_that_older_data_lack_gets_its_default():
    assert codec.tool_from_data(tool_data()).fixed is False


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"tool_type": "III"}, "Tool.tool_type"),
        ({"lowest": "8"}, "Tool.lowest"),
        ({"lowest": True}, "Tool.lowest"),
        ({"directions": ["clockwise", "sideways"]}, "Tool.directions[1]"),
        ({"directions": "clockwise"}, "Tool.directions"),
        ({"colour": "red"}, "Tool"),
        ({"resolution": [1]}, "Tool.resolution"),
    ],
)
def test_what_is_none_of_ours_is_refused_with_the_place(changes, where):
    with pytest.raises(codec.CodecError) as caught:
        codec.tool_from_data(tool_data(**changes))
    assert caught.value.where == where


def test_a_missing_field_without_default_is_named():
    data = tool_data()
    del data["highest"]
    with pytest.raises(codec.CodecError, match="highest is missing"):
        codec.tool_from_data(data)


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_number_that_json_cannot_hold_is_refused_before_it_is_written(value):
    with pytest.raises(codec.CodecError, match="finite"):
        codec.to_data({"x": value})


@settings(max_examples=40, deadline=None)
@given(values_of(Run))
def test_the_quick_way_gives_what_the_way_that_keeps_the_path_gives(run):
    assert codec.to_data(run) == codec._encode(run, "Run")


def test_the_quick_way_leaves_no_type_of_numpy_and_no_enum_behind():
    for each in (np.float64(1.5), dt.date(2026, 3, 4), frozenset({"b", "a"}), {"a": (1, None, True)}, [Source.LIVE]):
        got = codec.to_data(each)
        assert got == codec._encode(each, "")
        assert type(got[0] if isinstance(got, list) else got) in (float, str, dict)


@pytest.mark.parametrize("wrong", [math.nan, math.inf, np.float64("nan"), {1: "a"}, object(), dt.datetime(2026, 3, 4)])
def test_what_does_not_belong_is_named_with_its_place_in_either_way(wrong):
    with pytest.raises(codec.CodecError, match=r"dict\['a'\]\[1\]"):
        codec.to_data({"a": [0, wrong]})


@pytest.mark.parametrize("cls", [Run, RunPlan, CapturedPull, Pull, Tool, Reference])
def test_the_quick_way_reads_what_the_one_that_keeps_a_path_reads(cls):
    @settings(max_examples=25, deadline=None)
    @given(values_of(cls))
    def check(value):
        data = json.loads(json.dumps(codec.to_data(value)))
        quick = codec._reader(cls)(data)  # nothing of it is left to the other
        assert quick == codec._decode(cls, data, "")
        assert quick == value

    check()


def places_in(data, path=()):
    """Every place in nested data, as the keys that lead to it."""
    found = [path] if path else []
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, item in items:
        found += places_in(item, (*path, key))
    return found


def said_by(read):
    """What is read, or why it was refused."""
    try:
        return repr(read())
    except codec.CodecError as refused:
        return str(refused)


@settings(max_examples=300, deadline=None)
@given(values_of(CapturedPull), st.data())
def test_what_is_put_in_the_place_of_anything_is_read_or_refused_alike_on_both_ways(value, draw):
    data = json.loads(json.dumps(codec.to_data(value)))
    *path, last = draw.draw(st.sampled_from(places_in(data)))
    inside = data
    for key in path:
        inside = inside[key]
    inside[last] = draw.draw(JSON_DATA | st.just(math.nan) | st.sampled_from(["clockwise", "spike", 3, -0.0, True]))
    assert said_by(lambda: codec.from_data(CapturedPull, data)) == said_by(
        lambda: codec._decode(CapturedPull, data, "CapturedPull")
    )
