"""The self-test fails where it must: changed examples, changed answers."""

import hashlib
import json
import shutil
from pathlib import Path

import pytest

from benchapp.cli import main, selftest

SHIPPED = Path(selftest.__file__).parent / "selftest_data"


@pytest.fixture
def folder(tmp_path):
    copy = tmp_path / "examples"
    shutil.copytree(SHIPPED, copy, ignore=shutil.ignore_patterns("__pycache__"))
    return copy


def sealed_anew(folder):
    seal = {
        name: hashlib.sha256((folder / name).read_bytes()).hexdigest()
        for name in json.loads((folder / "seal.json").read_text())
    }
    (folder / "seal.json").write_text(json.dumps(seal))


def test_this_installation_gives_the_right_answers(capsys):
    assert main.main(["selftest", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["passed"] is True
    assert told["seal_faults"] == []
    assert {example["name"] for example in told["examples"]} >= {"clean", "hold", "peak", "judge", "judge-out"}
    assert all(example["passed"] for example in told["examples"])


def test_a_changed_byte_of_an_example_is_named(folder):
    raw = bytearray((folder / "clean.csv").read_bytes())
    raw[len(raw) // 2] ^= 1
    (folder / "clean.csv").write_bytes(raw)
    told = selftest.selftest(folder)
    assert told["passed"] is False
    assert any("clean.csv" in fault for fault in told["seal_faults"])


@pytest.mark.parametrize("name", ["examples.json", "hold.csv", "seal.json"])
def test_a_missing_example_is_named(folder, name):
    (folder / name).unlink()
    told = selftest.selftest(folder)
    assert told["passed"] is False
    assert any(name in fault for fault in told["seal_faults"])


@pytest.mark.parametrize("kind", ["read", "judge"])
def test_an_answer_that_differs_in_its_last_digit_is_wrong(folder, kind):
    examples = json.loads((folder / "examples.json").read_text("utf-8"))
    example = next(each for each in examples if each["kind"] == kind)
    if kind == "read":
        pull = example["expected"]["pulls"][0]
        pull["reading"] = float(f"{pull['reading'] * (1 + 3e-9):.9g}")
    else:
        checkpoint = example["expected"]["checkpoints"][0]
        key = next(key for key, value in checkpoint.items() if isinstance(value, float) and value)
        checkpoint[key] = float(f"{checkpoint[key] * (1 + 3e-12):.12g}")
    (folder / "examples.json").write_text(json.dumps(examples), encoding="utf-8")
    sealed_anew(folder)
    told = selftest.selftest(folder)
    wrong = [each for each in told["examples"] if not each["passed"]]
    assert told["passed"] is False
    assert [each["name"] for each in wrong] == [example["name"]]
    assert len(wrong[0]["differences"]) == 1
    assert "instead of" in wrong[0]["differences"][0]


def test_status_is_1_and_the_difference_is_told(folder, monkeypatch, capsys):
    (folder / "peak.csv").write_bytes((folder / "hold.csv").read_bytes())
    sealed_anew(folder)
    whole = selftest.selftest(folder)
    monkeypatch.setattr(selftest, "selftest", lambda: whole)
    assert main.main(["selftest"]) == 1
    out = capsys.readouterr().out
    assert "WRONG  peak" in out
    assert "do not use it" in out


def test_examples_are_answered_by_their_labels():
    """What is sealed agrees with the simulator's truth: `make_selftest.check` accepts only such examples."""
    examples = json.loads((SHIPPED / "examples.json").read_text("utf-8"))
    flags = {
        flag
        for each in examples
        if each["kind"] == "read"
        for pull in each["expected"]["pulls"]
        for flag in pull["flags"]
    }
    assert flags >= {"jerky", "past-click", "no-click", "short", "gap", "spike", "too-fast"}
    assert {each["mode"] for each in examples if each["kind"] == "read"} == {"first-peak", "peak", "hold"}
