"""Reading a stored pull again gives what was read when it was pulled, by another detector or settings what is new."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

from benchapp.metrology.correction import Correction
from benchapp.pulls import Mode, PullReader
from benchapp.pulls.events import PullClosed
from benchapp.records import Store
from benchapp.records.reread import differences, read_again
from benchapp.runs.model import CapturedPull, PullKind, RunState
from benchapp.torque.direction import Direction
from benchapp.torque.trace import Trace
from benchapp.torque.units import from_nm
from drivers.samples import Source
from simulator.collection import stretch

from .conftest import START, Clock, make_reference, make_run, make_tool
from .test_exchange import main

ZERO_NM = 0.037


def live(item, *, unit="N·m", polarity=Direction.CLOCKWISE, calibration=None, number=1):
    """A stretch of the collection as the session would have read and stored it: (run, captured pull, trace)."""
    reference = dataclasses.replace(make_reference(), capacity_nm=item.capacity)
    run = make_run(tool=make_tool(highest=item.tool_max, lowest=item.tool_max / 5), reference=reference)
    checkpoints = (dataclasses.replace(run.plan.checkpoints[0], target_nm=item.target), *run.plan.checkpoints[1:])
    run = dataclasses.replace(run, plan=dataclasses.replace(run.plan, checkpoints=checkpoints, mode=Mode(item.mode)))
    decimals = 5
    digits = np.rint(from_nm((item.torque + ZERO_NM) * polarity.sign, unit) * 10**decimals).astype(np.int64)
    trace = Trace(
        t_s=item.t_s.copy(),
        torque=digits / 10.0**decimals,
        unit=unit,
        source=Source.LIVE,
        digits=digits,
        decimals=decimals,
        polarity=polarity,
        extra={"zero_nm": repr(ZERO_NM), "correction": "none" if calibration is None else calibration.certificate},
    )
    reader = PullReader(mode=Mode(item.mode), capacity=item.capacity, target=item.target, tool_max=item.tool_max)
    torque_nm = item.torque
    if calibration is not None:
        curve = Correction.from_calibration(calibration, Direction.CLOCKWISE)
        torque_nm = np.sign(torque_nm) * curve.true_torque(np.abs(torque_nm))
    events = [*reader.feed(item.t_s, torque_nm), *reader.finish()]
    pull = next(event.pull for event in events if isinstance(event, PullClosed))
    return run, CapturedPull(number, PullKind.READING, 0, pull), trace


@pytest.mark.parametrize("number", [48, 50, 22, 47, 9])
@pytest.mark.parametrize(("unit", "polarity"), [("N·m", Direction.CLOCKWISE), ("lbf·in", Direction.ANTICLOCKWISE)])
def test_the_same_reading_comes_out_of_the_stored_trace(number, unit, polarity):
    item = stretch(number, 11)
    run, captured, trace = live(item, unit=unit, polarity=polarity)
    now = read_again(run, captured, trace)
    assert now is not None
    assert now.direction is captured.pull.direction
    assert now.flags == captured.pull.flags
    if captured.pull.reading is None:
        assert now.reading is None
    else:
        # the digits were rounded to 1e-5 of the unit
        assert now.reading == pytest.approx(captured.pull.reading, abs=2e-5)


def test_the_calibration_that_was_in_force_is_applied_again():
    item = stretch(48, 11)
    run, _, _ = live(item)
    calibration = run.plan.reference.calibrations[0]
    calibration = dataclasses.replace(
        calibration,
        degree=1,
        points=tuple(dataclasses.replace(p, indicated_nm=p.applied_nm * 0.98) for p in calibration.points),
    )
    _, captured, trace = live(item, calibration=calibration)
    reference = dataclasses.replace(
        run.plan.reference, calibrations=(calibration, *run.plan.reference.calibrations[1:])
    )
    run = dataclasses.replace(run, plan=dataclasses.replace(run.plan, reference=reference))
    now = read_again(run, captured, trace)
    assert now is not None
    assert now.reading == pytest.approx(captured.pull.reading, abs=2e-5)
    plain = read_again(run, captured, dataclasses.replace(trace, extra={**trace.extra, "correction": "none"}))
    assert plain is not None
    assert now.reading == pytest.approx(plain.reading / 0.98, rel=1e-6)


def test_a_certificate_that_is_not_there_is_refused_not_left_out():
    run, captured, trace = live(stretch(48, 11))
    with pytest.raises(ValueError, match="C-99"):
        read_again(run, captured, dataclasses.replace(trace, extra={**trace.extra, "correction": "C-99"}))


def test_no_pull_where_the_stored_one_lies_is_none():
    run, captured, trace = live(stretch(48, 11))
    n = len(trace)
    still = dataclasses.replace(trace, torque=np.zeros(n), digits=np.zeros(n, dtype=np.int64))
    assert read_again(run, captured, still) is None


def test_the_command_says_no_difference_where_there_is_none_and_one_where_a_reading_was_another(tmp_path, capsys):
    run, captured, trace = live(stretch(48, 11))
    now = read_again(run, captured, trace)
    assert now is not None
    captured = dataclasses.replace(captured, pull=now)
    other = dataclasses.replace(captured, number=2, pull=dataclasses.replace(now, reading=now.reading * 1.01))
    path = tmp_path / "r.sqlite"
    with Store.open(path, demo=False, clock=Clock(START)) as store:
        store.begin_run(run)
        run = dataclasses.replace(run, pulls=(captured, other), state=RunState.PULL)
        store.store_pull(dataclasses.replace(run, pulls=(captured,)), captured, trace)
        store.store_pull(run, other, trace)
        found = list(differences(store))
        assert [each.number for each in found] == [2]
        assert found[0].reread_nm == now.reading
    assert main(["records", "--store", str(path), "reread", "--dry-run", "--json"]) == 1
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [each["number"] for each in told] == [2]
    assert main(["records", "--store", str(path), "reread", "--keep", " "]) == 2
    assert "--keep needs who" in capsys.readouterr().err
    assert main(["records", "--store", str(path), "reread", "--keep", "fitter 2"]) == 0
    assert "told beside 0 records" in capsys.readouterr().out  # the run is not sealed yet
