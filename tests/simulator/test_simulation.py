"""The bench in sample time: same seed, same bytes; every request; every fault."""

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.hand import Manner
from simulator.lines import SHAPES
from simulator.simulation import FAULTS, RequestError, make_simulation, read_script

SCRIPT = """
[[step]]
at_s = 0.2
do = "pull"
manner = "jerky"

[[step]]
at_pull = 1
after_s = 0.5
do = "fault"
fault = "garbage"
seconds = 0.02

[[step]]
at_click = 1
do = "fault"
fault = "wrong-sample"

[[step]]
at_sample = 4000
do = "fault"
fault = "cut-line"
"""


@pytest.fixture
def script(tmp_path):
    path = tmp_path / "script.toml"
    path.write_text(SCRIPT, encoding="utf-8")
    return path


def values(data):
    """Torques of good lines of the shape with sign and unit."""
    good = [line[:-3] for line in data.split(b"\r\n") if line.endswith(b" Nm")]
    return np.array([float(text) for text in good])


def ask(simulation, **request):
    answer = simulation.ask(request)
    assert answer["ok"], answer
    return answer


@pytest.mark.parametrize("shape", list(SHAPES))
def test_same_seed_same_bytes(shape, script):
    first, second, other = (make_simulation(seed=s, shape=shape, script=script).produce(5000) for s in (6, 6, 7))
    assert first == second
    assert first != other


@given(cuts=st.lists(st.integers(1, 3999), max_size=10))
@settings(max_examples=10, deadline=None)
def test_bytes_do_not_depend_on_how_they_are_asked_for(cuts, tmp_path_factory):
    path = tmp_path_factory.mktemp("s") / "script.toml"
    path.write_text(SCRIPT, encoding="utf-8")
    simulation = make_simulation(seed=6, script=path)
    edges = [0, *sorted(cuts), 4000]
    # a fault at a click begins at the block after it: the wrong sample may move by a block, so it is left out
    simulation._script = [step for step in simulation._script if step.at_click is None]
    reference = make_simulation(seed=6, script=path)
    reference._script = [step for step in reference._script if step.at_click is None]
    whole = reference.produce(4000)
    assert b"".join(simulation.produce(b - a) for a, b in pairwise(edges)) == whole


@pytest.mark.parametrize("manner", [m for m in Manner if m not in (Manner.KEY, Manner.REACH)])
def test_every_manner_ends_at_rest_and_tells_what_happened(manner):
    simulation = make_simulation(seed=3, rate_hz=500.0)
    ask(simulation, do="set", torque=80.0)
    ask(simulation, do="error", percent=4.0, spread=0.0)
    ask(simulation, do="pull", manner=manner.value)
    data = b"".join(simulation.produce(20) for _ in range(400))
    state = simulation.state()
    assert state["phase"] == "rest"
    last = state["last_pull"]
    assert last["manner"] == manner.value
    assert last["peak"] == pytest.approx(values(data).max(), rel=0.05)
    if manner is Manner.SHORT:
        assert last["first_peak"] is None
        assert state["clicks"] == 0
    else:
        assert last["first_peak"] == pytest.approx(80.0 * 1.04, rel=0.01)
        assert state["clicks"] == (2 if manner is Manner.TWICE else 1)


def test_an_indicating_tool_is_held_and_shows_its_error():
    simulation = make_simulation(seed=3, tool="dial-wrench", error_percent=5.0)
    ask(simulation, do="set", torque=100.0)
    ask(simulation, do="pull", manner="reach", hold_s=3.0)
    phases = set()
    for _ in range(500):
        simulation.produce(20)
        phases.add(simulation.state()["phase"])
    assert phases >= {"rest", "pulling", "holding", "easing"}
    state = simulation.state()
    assert state["clicks"] == 0
    assert state["shown_peak"] == pytest.approx(state["last_pull"]["peak"] / 1.05, rel=1e-6)


def test_a_key_pulls_as_long_as_it_is_down():
    simulation = make_simulation(seed=4)
    ask(simulation, do="key", down=True)
    for _ in range(400):
        simulation.produce(20)
    assert simulation.state()["clicks"] == 1
    assert simulation.state()["phase"] == "let-go"
    ask(simulation, do="key", down=False)
    simulation.produce(1000)
    assert simulation.state()["phase"] == "rest"
    assert simulation.state()["last_pull"]["manner"] == "key"


def test_a_key_let_up_early_makes_no_click():
    simulation = make_simulation(seed=4)
    ask(simulation, do="key", down=True)
    simulation.produce(700)
    ask(simulation, do="key", down=False)
    simulation.produce(1000)
    assert simulation.state()["last_pull"]["first_peak"] is None


def test_anticlockwise_is_negative():
    simulation = make_simulation(seed=4)
    ask(simulation, do="direction", direction="anticlockwise")
    ask(simulation, do="pull", manner="steady")
    data = simulation.produce(8000)
    assert values(data).min() < -100.0
    assert values(data).max() < 1.0


def test_release_ends_a_pull_and_a_pull_that_waits():
    simulation = make_simulation(seed=4)
    ask(simulation, do="pull", manner="steady", delay_s=0.0)
    simulation.produce(500)
    ask(simulation, do="release")
    simulation.produce(1000)
    assert simulation.state()["phase"] == "rest"
    ask(simulation, do="pull", manner="steady", delay_s=0.5)
    ask(simulation, do="release")
    simulation.produce(2000)
    assert simulation.state()["pulls"] == 1


def test_a_mounted_tool_hangs_on_the_drive():
    simulation = make_simulation(seed=4)
    ask(simulation, do="mount", on=True, hanging=1.5)
    assert values(simulation.produce(1000))[-200:].mean() == pytest.approx(1.5, abs=0.02)
    ask(simulation, do="mount", on=False)
    assert values(simulation.produce(1000))[-200:].mean() == pytest.approx(0.0, abs=0.02)


def test_a_knock_is_over_in_a_moment():
    simulation = make_simulation(seed=4)
    simulation.produce(100)
    ask(simulation, do="knock", torque=20.0)
    torque = values(simulation.produce(500))
    assert np.abs(torque[:30]).max() > 4.0
    assert np.abs(torque[80:]).max() < 0.1


def test_the_zero_command_takes_the_offset_off():
    simulation = make_simulation(seed=4)
    ask(simulation, do="offset", torque=0.8)
    assert values(simulation.produce(500)).mean() == pytest.approx(0.8, abs=0.01)
    simulation.commands.feed(b"Z\r\n")
    assert values(simulation.produce(500)).mean() == pytest.approx(0.0, abs=0.01)


def test_a_transducer_may_show_more_than_is_applied():
    peaks = []
    for percent in (0.0, 1.4):
        simulation = make_simulation(seed=4, noise=0.0)
        ask(simulation, do="transducer", percent=percent)
        ask(simulation, do="pull", manner="steady")
        peaks.append(values(simulation.produce(6000)).max())
    assert peaks[1] / peaks[0] == pytest.approx(1.014, rel=2e-3)


def test_overload_is_told_in_place_of_a_number():
    simulation = make_simulation(seed=4, capacity_nm=100.0, tool_max_nm=200.0, setting_nm=140.0)
    ask(simulation, do="pull", manner="steady")
    assert simulation.produce(8000).count(b"OL\r\n") > 100


# ---- faults -----------------------------------------------------------------------------------------------------


def fault(name, n=1000, **options):
    """Bytes with and without a fault that begins at sample 100."""
    plain, hurt = make_simulation(seed=5), make_simulation(seed=5)
    begun = plain.produce(100)
    assert hurt.produce(100) == begun
    ask(hurt, do="fault", fault=name, **options)
    return plain.produce(n), hurt.produce(n), hurt


def test_a_cut_line_runs_into_the_next():
    plain, hurt, _ = fault("cut-line", count=3)
    assert hurt.count(b"\r\n") == plain.count(b"\r\n") - 3
    assert hurt[-5000:] == plain[-5000:]


def test_garbage_is_as_long_as_asked_and_then_gone():
    plain, hurt, _ = fault("garbage", seconds=0.1)
    assert len(hurt) == len(plain)
    line = len(plain) // 1000
    assert hurt[100 * line :] == plain[100 * line :]
    assert sum(a == b for a, b in zip(hurt[: 100 * line], plain, strict=False)) < 0.03 * 100 * line


def test_a_burst_loses_nothing_but_comes_late():
    _, hurt, simulation = fault("burst", n=200, seconds=0.3)
    assert hurt == b""
    assert simulation.state()["faults"] == ["burst"]
    reference = make_simulation(seed=5)
    reference.produce(100)
    assert simulation.produce(200) == reference.produce(400)
    assert simulation.state()["faults"] == []


@pytest.mark.parametrize(("name", "seconds"), [("stall", 0.5), ("gap", 0.08)])
def test_what_is_measured_during_stall_and_gap_is_lost(name, seconds):
    plain, hurt, _ = fault(name, seconds=seconds)
    line = len(plain) // 1000
    assert hurt == plain[round(seconds * 1000) * line :]


def test_the_wrong_unit_is_named_and_the_value_converted():
    _, hurt, _ = fault("wrong-unit", seconds=0.2)
    assert hurt.count(b"lbft\r\n") == 200
    assert hurt.count(b" Nm\r\n") == 800


def test_wrong_samples_are_isolated_and_as_many_as_asked():
    plain, hurt, _ = fault("wrong-sample", count=3, factor=2.5)
    different = np.flatnonzero(values(hurt) != values(plain))
    assert len(different) == 3
    assert np.diff(different).min() >= 20
    assert np.abs(values(hurt)[different]).min() >= 2.5 * 25.0 - 0.01


def test_unplugging_is_handed_to_the_server():
    _, _, simulation = fault("unplug", seconds=2.0)
    assert simulation.unplug_s == 2.0


def test_every_fault_is_tried_here():
    assert set(FAULTS) == {"cut-line", "garbage", "burst", "stall", "gap", "wrong-unit", "wrong-sample", "unplug"}


# ---- what bad requests and scripts get --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("request_", "told"),
    [
        ({}, "do"),
        ({"do": "dance"}, "dance"),
        ({"do": ["pull"]}, "do"),
        ({"do": "pull", "manner": "gently"}, "steady"),
        ({"do": "pull", "manner": "steady", "target": -1}, "target"),
        ({"do": "pull", "manner": "steady", "target": float("nan")}, "target"),
        ({"do": "set"}, "torque"),
        ({"do": "set", "torque": "40"}, "torque"),
        ({"do": "set", "torque": True}, "torque"),
        ({"do": "key", "down": 1}, "down"),
        ({"do": "tool", "kind": "spanner", "max": 3}, "click-wrench"),
        ({"do": "fault", "fault": "fire"}, "garbage"),
        ({"do": "fault", "fault": "wrong-unit", "unit": "yd"}, "lbf·ft"),
        ({"do": "direction", "direction": "up"}, "anticlockwise"),
    ],
)
def test_a_bad_request_is_refused_by_name(request_, told):
    simulation = make_simulation(seed=5)
    answer = simulation.ask({**request_, "id": 9})
    assert answer["ok"] is False
    assert answer["id"] == 9
    assert told in answer["error"]
    assert json.dumps(answer)


@pytest.mark.parametrize("request_", [{"do": "pull", "manner": "steady"}, {"do": "tool", "kind": "dial-wrench"}])
def test_what_cannot_be_done_in_mid_pull_is_refused(request_):
    simulation = make_simulation(seed=5)
    ask(simulation, do="pull", manner="steady", delay_s=0)
    simulation.produce(300)
    assert "release" in simulation.ask(request_)["error"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("step = 3", "step"),
        ("[[step]]\nat_s = 1", "step 1: no 'do'; give one of state, key, pull"),
        ('[[step]]\ndo = "dance"\nat_s = 1', "step 1: do: 'dance' is not one of state, key, pull"),
        ('[[step]]\ndo = "release"', "at_s"),
        ('[[step]]\ndo = "release"\nat_s = -1', "at_s"),
        ('[[step]]\ndo = "release"\nat_s = 1\nat_pull = 1', "2 given"),
        ("[[step", "script.toml"),
    ],
)
def test_a_bad_script_is_refused_with_file_and_step(tmp_path, text, told):
    path = tmp_path / "script.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RequestError, match=told) as caught:
        read_script(path, 1000.0)
    assert "script.toml" in str(caught.value)


def test_a_script_may_be_json(tmp_path):
    path = tmp_path / "script.json"
    path.write_text('{"step": [{"do": "pull", "manner": "steady", "at_s": 0.0}]}', encoding="utf-8")
    simulation = make_simulation(seed=5, script=path)
    simulation.produce(1000)
    assert simulation.state()["pulls"] == 1


def test_a_step_that_cannot_be_done_is_reported_not_fatal(tmp_path):
    path = tmp_path / "script.toml"
    path.write_text('[[step]]\nat_s = 0.1\ndo = "fault"\nfault = "fire"', encoding="utf-8")
    simulation = make_simulation(seed=5, script=path)
    simulation.produce(1000)
    assert len(simulation.script_errors) == 1
