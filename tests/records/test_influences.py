"""What is known of a tool's handling: kept in the chain, the newest in force, a broken series gone on with."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest

from benchapp.metrology.budget import GivenBy
from benchapp.metrology.tool import Tool, ToolType
from benchapp.records import Store, influences
from benchapp.records.exchange import from_json, to_json
from benchapp.records.model import ToolRecord
from benchapp.runs.influences import Influence, Series, SeriesPull, entered, model_value
from benchapp.torque.direction import Direction

AT = "2026-03-04T09:10:00+00:00"
TOOL = Tool("OCF-014", ToolType.SETTING, "A", "N·m", 20.0, 100.0, maker="workshop", model="long")


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "kilter.sqlite", demo=False) as opened:
        opened.save_tool(ToolRecord(TOOL))
        yield opened


def value(tool: Tool = TOOL, spread: float = 0.2, given_by: GivenBy = GivenBy.TYPED) -> Influence:
    return entered(tool, "w_od", spread, given_by, "from its data sheet", "fitter 2", AT)


def test_the_newest_value_is_in_force_and_the_older_ones_stay(store) -> None:
    assert influences.known(store, "OCF-014") == {}
    influences.keep(store, value(spread=0.2))
    influences.keep(store, value(spread=0.3))
    assert influences.known(store, "OCF-014")["w_od"].spread_nm == 0.3
    assert len(store.entries(influences.subject_of("OCF-014"))) == 2
    assert store.check().holds


def test_a_series_is_gone_on_with_until_its_result_is_kept(store) -> None:
    series = Series("OCF-014", "w_od", "N·m", 20.0, Direction.CLOCKWISE, "REF-1", "C-1", "fitter 2")
    series = replace(series, pulls=(SeriesPull(0, 20.1), SeriesPull(0, None, ("gap",), False)))
    influences.keep_series(store, series)
    assert influences.under_way(store, "OCF-014") == {"w_od": series}
    assert influences.known(store, "OCF-014") == {}
    influences.keep(store, value())
    assert influences.under_way(store, "OCF-014") == {}


def test_tools_of_the_same_model_are_found_and_no_others(store) -> None:
    for i in range(12):
        tool = replace(TOOL, number=f"OCF-{100 + i}", model="long" if i < 10 else "short")
        store.save_tool(ToolRecord(tool))
        influences.keep(store, replace(value(tool, 0.1 + i / 100), given_by=GivenBy.MEASURED, reason=""))
    found = influences.of_model(store, TOOL, "w_od")
    assert sorted(each.tool for each in found) == [f"OCF-{100 + i}" for i in range(10)]
    model = model_value(found, TOOL)
    assert model is not None
    assert model.relative == pytest.approx(0.19 / 20)
    assert influences.of_model(store, replace(TOOL, model=" "), "w_od") == []


def test_they_go_out_with_the_records_and_come_in_with_the_same_seals(store, tmp_path) -> None:
    influences.keep(store, value())
    out = io.StringIO()
    to_json(store, out)
    with Store.open(tmp_path / "other.sqlite", demo=False) as other:
        assert from_json(other, out.getvalue().encode()) == store.head()
        assert influences.known(other, "OCF-014") == influences.known(store, "OCF-014")
