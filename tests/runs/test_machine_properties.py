"""Whatever happens in whatever order: no surprise, a state that holds together, and data that read back equal."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.metrology.tool import ToolType
from benchapp.pulls.pull import Flag
from benchapp.runs import codec, machine
from benchapp.runs import events as e
from benchapp.runs.model import RunState
from benchapp.runs.outcome import outcome
from benchapp.runs.standing import counts, expected, n_counted
from benchapp.torque.direction import Direction

EVENTS = st.one_of(
    *[st.just(e.GoOn())] * 4,
    st.just(e.SetAside()),
    st.sampled_from(["repeat", "keep", "set-aside", "back", "disturbed", "nonsense"]).map(e.Chosen),
    *[
        st.tuples(
            st.one_of(st.none(), st.floats(0.0, 60.0)),
            st.sets(st.sampled_from(list(Flag)), max_size=2),
            st.sampled_from(list(Direction)),
            st.floats(0.0, 60.0),
        )
    ]
    * 4,
    st.floats(allow_nan=True).map(e.IndicationTyped),
    st.floats(-1, 1),
    st.sampled_from(["", "SN-1", "SN-2"]).map(e.ReferenceSeen),
    st.just(e.LinkLost("unplugged")),
    st.floats(0, 1e5).map(e.LinkBack),
    st.floats(0, 1e5).map(e.Resumed),
    st.floats(0, 1e5).map(e.Waited),
    st.one_of(st.none(), st.floats(100, 300)).map(e.Overloaded),
    st.just(e.Left("tired")),
    st.tuples(st.sampled_from(["start_c", "x"]), st.floats()).map(lambda x: e.AmbientTyped(*x)),
)


@pytest.mark.parametrize("state", machine.UNDER_WAY)
def test_any_order_of_events_keeps_the_run_whole(make, state):
    plans = [
        make.plan(make.tool(directions=(Direction.CLOCKWISE, Direction.ANTICLOCKWISE)), n_readings=1),
        make.plan(make.tool(tool_type=ToolType.INDICATING, tool_class="B", has_memory=True, resolution=1.0)),
        make.plan(make.tool(fixed=True, lowest=40.0, tool_class="B"), reference=make.reference(identity="SN-1")),
    ]

    starts = [run for plan in plans for run in walked(make, plan) if run.state is state]
    assert starts

    @settings(max_examples=40, deadline=None)
    @given(st.sampled_from(starts), st.lists(EVENTS, max_size=30))
    def check(run, happenings):
        for happened in happenings:
            if isinstance(happened, tuple):
                reading, flags, direction, peak = happened
                happened = e.PullRead(make.pull(reading, *sorted(flags), direction=direction, peak=peak))
            elif isinstance(happened, float):
                happened = e.ZeroMeasured(make.zero(happened))
            before = run
            try:
                run, effects = machine.step(run, happened, make.wall)
            except machine.StepError:
                assert not machine.accepts(before, type(happened))
                continue
            assert_whole(before, run, effects)

    check()


def walked(make, plan):
    """Every stand of a run that goes as it should, and of one with flagged pulls."""
    walker = make.walker(plan)
    runs = [walker.run]
    while walker.run.state is not RunState.SEALED:
        if walker.run.state is RunState.PULL:
            point = plan.checkpoints[walker.run.checkpoint_index]
            bad = e.PullRead(make.pull(point.target_nm, Flag.JERKY, direction=point.direction))
            asked, _ = machine.step(walker.run, bad, make.wall)
            reason, _ = machine.step(asked, e.Chosen("set-aside"), make.wall)
            runs += [asked, reason]
        walker.natural()
        runs.append(walker.run)
    return [run for run in runs if run.state is not RunState.SEALED]


def assert_whole(before, run, effects):
    asks = run.state in (RunState.DECIDE, RunState.REASON)
    assert bool(run.choices) == asks
    assert 0 <= run.choice_index < max(1, len(run.choices))
    assert [p.number for p in run.pulls] == list(range(1, len(run.pulls) + 1))
    assert run.pulls[: len(before.pulls)] == before.pulls or len(run.pulls) == len(before.pulls)  # none is ever lost
    for index, checkpoint in enumerate(run.plan.checkpoints):
        assert n_counted(run, index) <= checkpoint.n_readings
    for pull in run.pulls:
        if counts(pull):
            assert pull.indication_nm is not None or pull.number == run.asked_about or asks
    assert (expected(run) is not None) == (run.state in (RunState.PRELOAD, RunState.PULL))
    if run.state in (RunState.PRELOAD, RunState.PULL, RunState.SET_TOOL):
        assert run.reference_confirmed
        assert run.zeros
    if run.state in (RunState.VERDICT, RunState.SEALED):
        assert all(n_counted(run, i) == c.n_readings for i, c in enumerate(run.plan.checkpoints))
    stored = [effect.number for effect in effects if isinstance(effect, e.StorePull)]
    assert stored == [p.number for p in run.pulls[len(before.pulls) :]]
    if run != before:
        assert any(isinstance(effect, (e.Save, e.StorePull, e.Seal)) for effect in effects)
    assert codec.run_from_data(json.loads(json.dumps(codec.run_to_data(run), allow_nan=False))) == run
    outcome(run)
