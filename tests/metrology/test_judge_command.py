"""`kilter judge`: readings from elsewhere, its schema, exit status, refusals."""

import copy
import json
import re
from pathlib import Path

import jsonschema
import pytest

from benchapp.cli.main import main


@pytest.fixture(autouse=True)
def _judge_alone(monkeypatch):
    """The other commands are tested elsewhere; importing them all each time is slow."""
    monkeypatch.setattr("benchapp.cli.main.COMMANDS", ("judge",))


EXAMPLE = Path(__file__).parents[1] / "data" / "judge-example.json"


def _example():
    return json.loads(EXAMPLE.read_text(encoding="utf-8"))


def _judge(tmp_path, capsys, data, *flags):
    file = tmp_path / "run.json"
    file.write_text(data if isinstance(data, str) else json.dumps(data), encoding="utf-8")
    status = main(["judge", str(file), *flags])
    return status, capsys.readouterr()


def _schema(capsys):
    assert main(["judge", "--schema"]) == 0
    return json.loads(capsys.readouterr().out)


def test_example_is_valid_and_judged(tmp_path, capsys):
    schema = _schema(capsys)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(_example(), schema)
    status, out = _judge(tmp_path, capsys, _example(), "--json")
    told = json.loads(out.out)
    assert status == 0
    assert told["verdict"] == "in-service"
    assert told["checkpoints"][2]["mean_deviation_percent"] == pytest.approx(0.90858, abs=6e-6)  # row T1's readings
    assert told["checkpoints"][1]["n"] == 5
    assert {f["symbol"] for f in told["formulas"]} >= {"w_md", "W'", "ν_eff"}
    assert all(f["source"] and f["mark"] for f in told["formulas"])


README = Path(__file__).parents[2] / "README.md"


def test_the_example_in_the_readme_is_taken_and_answered_as_it_says(tmp_path, capsys):
    """What a person copies out of README.md is valid, and begins as README.md says; each of its keys is explained."""
    text = README.read_text(encoding="utf-8")
    example, answer = (re.search(f"```{kind}\n(.*?)```", text, re.DOTALL)[1] for kind in ("json", "text"))
    data = json.loads(example)
    jsonschema.validate(data, _schema(capsys))
    status, out = _judge(tmp_path, capsys, example)
    assert status == 0
    assert answer.count("\n") >= 4
    assert out.out.startswith(answer)
    for key in data:
        assert f"| `{key}` |" in text


def test_out_is_exit_status_one(tmp_path, capsys):
    data = _example()
    data["checkpoints"][0]["readings"][2] = 21.5
    status, out = _judge(tmp_path, capsys, data)
    assert status == 1
    assert out.out.startswith("Out of limits. Out of service: quarantine")
    assert "outside: 21.5 N·m" in out.out


def test_verdict_does_not_depend_on_the_unit(tmp_path, capsys):
    data = _example()
    _, one = _judge(tmp_path, capsys, data, "--json")
    factor = 1.3558179483314004
    other = copy.deepcopy(data)
    other["unit"] = "ft-lb"
    for key in ("lowest", "highest", "resolution"):
        other["tool"][key] /= factor
    for g in other["geometric"].values():
        g["spread"] /= factor
        g["at"] /= factor
    for c in other["checkpoints"]:
        c["target"] /= factor
        c["readings"] = [
            {**r, "reading": r["reading"] / factor} if isinstance(r, dict) else r / factor for r in c["readings"]
        ]
    _, two = _judge(tmp_path, capsys, other, "--json")
    first, second = json.loads(one.out), json.loads(two.out)
    assert second["unit"] == "lbf·ft"
    for a, b in zip(first["checkpoints"], second["checkpoints"], strict=True):
        assert b["interval_percent"] == pytest.approx(a["interval_percent"], rel=1e-12)
        assert b["outcome"] == a["outcome"]


def test_torques_may_carry_their_own_unit(tmp_path, capsys):
    data = {"limit_percent": 4, "checkpoints": [{"target": "100 lbf·ft", "readings": ["135,6 Nm", 134]}]}
    status, out = _judge(tmp_path, capsys, data, "--json")
    assert status == 0
    assert json.loads(out.out)["checkpoints"][0]["target"] == pytest.approx(135.58179483314)


def _changed(path, value):
    data = _example()
    at = data
    for key in path[:-1]:
        at = at[key]
    if value is None:
        del at[path[-1]]
    else:
        at[path[-1]] = value
    return data


def _class_of_the_other_type():
    data = _changed(["tool", "type"], "I")
    data["tool"]["class"] = "F"
    return data


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ("{", "Expecting"),
        ("[]", "object"),
        ('{"checkpoints": NaN}', "checkpoints is nan"),
        ('{"checkpoints": [], "checkpoints": []}', "once"),
        ({}, "checkpoints"),
        (_changed(["checkpoints"], []), "checkpoints is empty; required: at least one; give an object with target"),
        (_changed(["checkpoints", 0, "target"], 0), "checkpoints[0].target"),
        (_changed(["checkpoints", 0, "target"], None), "checkpoints[0].target"),
        (_changed(["checkpoints", 1, "readings", 2], -3), "checkpoints[1].readings[2]"),
        (_changed(["checkpoints", 1, "readings", 2], "12 bananas"), "checkpoints[1].readings[2]"),
        (
            _changed(["checkpoints", 1, "readings", 2], "1.059,6"),
            "readings[2] is '1.059,6', more than one separator; type it without thousands separators, e.g. 1234.5; "
            "required: a torque; give text such as 12.5 N·m",
        ),
        (_changed(["checkpoints", 1, "readings", 2], "x" * 100_000), "readings[2] is 'xxx"),
        (_changed(["checkpoints", 0, "readings"], [20.0]), "at least 5"),
        (_changed(["unit"], "J"), "unit"),
        (_changed(["unit"], "furlong"), "unit"),
        (_changed(["procedure"], "some other"), "iso-6789-2003"),
        (_changed(["tool"], None), "tool"),
        (_changed(["tool", "resolution"], 0), "tool.resolution"),
        (_changed(["reference", "k"], 0.5), "reference.k"),
        (_changed(["reference"], None), "reference"),
        (_changed(["rule", "kind"], "gut"), "rule.kind"),
        (_changed(["geometric", "w_l", "reason"], None), "geometric.w_l.reason"),
        (_changed(["surprise"], 1), "surprise"),
        (_changed(["history"], [0.1] * 19), "at least 20"),
        ('{"limit_percent": 4, "checkpoints": [{"target": 1e999, "readings": [1]}]}', "checkpoints[0].target"),
        (json.dumps(_example()).replace("20.05", "NaN"), "checkpoints[0].readings[1]"),
        (json.dumps(_example()).replace("20.05", "-Infinity"), "checkpoints[0].readings[1]"),
        (_changed(["checkpoints", 0, "target"], 500), "from tool.lowest (20) to tool.highest (100)"),
        (_changed(["checkpoints", 0, "target"], 10), "from tool.lowest (20) to tool.highest (100)"),
        (_class_of_the_other_type(), "a class of type I; give A or B or C or D or E"),
        (_changed(["coverage"], {"probability": 1.5}), "coverage.probability is 1.5; required: < 1"),
        (_changed(["coverage"], {"k": 0.5}), "coverage.k is 0.5; required: >= 1"),
        (_changed(["checkpoints", 0, "readings", 1], True), "is true; required: a number or text or an object"),
        ('{"limit_percent": 4, "checkpoints": [{"target": 1e308, "readings": [1e-3]}]}', "checkpoints[0].readings[0]"),
        ("[" * 100000, "run.json: is nested too deeply; --schema says what it must hold"),
    ],
)
def test_bad_input_is_one_line_that_names_it_and_status_two(tmp_path, capsys, data, said):
    status, out = _judge(tmp_path, capsys, data, "--json")
    assert status == 2
    assert out.out == ""
    assert said in out.err
    assert out.err.count("\n") == 1
    assert len(out.err) < 600


@pytest.mark.parametrize("path", [["checkpoints", 0, "target"], ["reference", "k"], ["rule", "kind"], ["surprise"]])
def test_schema_refuses_what_the_command_refuses(capsys, path):
    bad = {"k": 0.5, "kind": "gut", "surprise": 1, "target": 0}[path[-1]]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(_changed(path, bad), _schema(capsys))


def test_missing_file_and_no_file_are_refused(capsys):
    for arguments in (["judge", "no/such.json"], ["judge"]):
        assert main(arguments) == 2
        assert capsys.readouterr().err.count("\n") == 1


def test_refusals_never_send_the_reader_elsewhere(tmp_path, capsys):
    for path in (["checkpoints", 0, "target"], ["reference", "expanded_percent"], ["tool", "class"]):
        _, out = _judge(tmp_path, capsys, _changed(path, None))
        assert "is missing; required: present; give " in out.err
        assert "--schema" not in out.err


def test_words_tell_what_was_set_aside_with_and_without(tmp_path, capsys):
    _, out = _judge(tmp_path, capsys, _example())
    assert "set aside: 57.1 N·m (+5.08 %): slipped off" in out.out
    assert "with what was set aside: mean 1.27 %, not all within limits" in out.out
    assert "joints get less than it says" in out.out
    assert "of this uncertainty is" in out.out


def test_words_tell_conditions_outside_limits_or_missing(tmp_path, capsys):
    _, out = _judge(tmp_path, capsys, _example())
    assert "Temperature" not in out.out
    _, out = _judge(tmp_path, capsys, _changed(["ambient"], {"start_c": 17.0, "end_c": 29.5}))
    assert "Too cold: 17 °C, at least 18 °C" in out.out
    assert "Too warm: 29.5 °C, at most 28 °C" in out.out
    assert "Humidity was not noted." in out.out


@pytest.mark.parametrize(
    ("procedure", "expanded", "extra", "quantity", "value", "greatest"),
    [  # a tool of ±4 %: 2003 asks U <= 1 %, 2017 W'_md <= 1 %, ASME error and U <= 1 % (facts of the procedures' files)
        ("iso-6789-2003", 1.2, {"error_percent": 0.5}, "uncertainty", 1.2, 1.0),
        ("iso-6789-2003", 0.6, {"error_percent": 0.5}, "uncertainty", 0.6, 1.0),
        ("iso-6789-1-2017", 0.6, {"error_percent": 0.5}, "interval", 1.1, 1.0),
        ("iso-6789-1-2017", 0.6, {"error_percent": 0.5, "interval_percent": 0.9}, "interval", 0.9, 1.0),
        ("asme-b107-300", 0.6, {"error_percent": -0.5}, "accuracy", 1.1, 1.0),
    ],
)
def test_reference_is_held_against_the_demand_of_the_edition(
    tmp_path, capsys, procedure, expanded, extra, quantity, value, greatest
):
    data = _example() | {"procedure": procedure, "reference": {"expanded_percent": expanded, **extra}}
    _, out = _judge(tmp_path, capsys, data, "--json")
    for checkpoint in json.loads(out.out)["checkpoints"]:
        demand = checkpoint["demand_on_reference"]
        assert demand["quantity"] == quantity
        assert demand["value_percent"] == pytest.approx(value)
        assert demand["greatest_percent"] == pytest.approx(greatest)
        assert demand["met"] is (value <= greatest)
    _, out = _judge(tmp_path, capsys, data)
    assert ("the reference is not good enough" in out.out) is (value > greatest)


def test_without_a_reference_neither_probability_nor_test_uncertainty_ratio_is_stated(tmp_path, capsys):
    data = _changed(["reference"], None)
    del data["rule"]
    _, out = _judge(tmp_path, capsys, data, "--json")
    for checkpoint in json.loads(out.out)["checkpoints"]:
        assert checkpoint["tur"] is None
        assert checkpoint["probability"] is None
        assert "w_md" in checkpoint["budget"]["missing"]
        assert checkpoint["demand_on_reference"] is None


def test_history_is_told_with_its_length_and_without_the_measurement_in_its_spread(tmp_path, capsys):
    data = _example() | {"history": [0.1 * i - 1.2 for i in range(25)]}
    _, plain = _judge(tmp_path, capsys, data, "--json")
    _, less = _judge(tmp_path, capsys, data | {"history_u_percent": 0.5}, "--json")
    risks = [json.loads(out.out)["checkpoints"][0]["risk"]["false_accept"] for out in (plain, less)]
    assert risks[1] < risks[0]
    _, out = _judge(tmp_path, capsys, data | {"history_u_percent": 0.5})
    spread = (0.1**2 * 25 * 26 / 12 - 0.5**2) ** 0.5  # s² of 25 evenly spaced values, less the measurement's own
    assert f"25 verifications (mean 0.00 %, spread {spread:.2f} %)" in out.out


def test_what_a_stream_should_tell_and_does_not_is_missing_not_zero(tmp_path, capsys):
    data = _example()
    data["checkpoints"][0]["dynamic"] = {"rate_percent_per_s": 20.0, "interval_s": 0.001}
    _, out = _judge(tmp_path, capsys, data, "--json")
    told, silent = (c["budget"]["missing"] for c in json.loads(out.out)["checkpoints"][:2])
    assert told == ["w_drift", "w_filter", "w_zero", "w_temp"]
    assert silent == []  # readings from elsewhere whose stream nobody knows
    _, out = _judge(tmp_path, capsys, data)
    assert "Not known, so not in it: reference between calibrations, filter of the reference" in out.out
