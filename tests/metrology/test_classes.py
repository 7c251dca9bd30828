"""Type and class by plain questions."""

import pytest

from benchapp.metrology.classes import QUESTIONS, Question, ToolKind, after, kinds
from benchapp.metrology.errors import RefusedError


def _walk(answers=()):
    step = after(answers)
    if isinstance(step, ToolKind):
        yield answers, step
    else:
        for answer in step.answers:
            yield from _walk((*answers, answer.key))


def test_every_way_leads_to_one_of_the_twelve_classes_and_each_is_reached_once():
    """ISO 6789-1:2017, clause 4 (letters from memory, marked M)."""
    found = [f"{k.tool_type.value}{k.tool_class}" for _, k in _walk()]
    assert sorted(found) == ["IA", "IB", "IC", "ID", "IE", "IIA", "IIB", "IIC", "IID", "IIE", "IIF", "IIG"]
    assert all(k.mark == "M" and k.source for k in kinds())


def test_nobody_is_asked_for_a_letter_or_for_more_than_four_things():
    for answers, _ in _walk():
        assert len(answers) <= 4
    for question in QUESTIONS.values():
        assert isinstance(question, Question)
        assert "class" not in question.text.lower()
        assert len(question.answers) >= 2


def test_screwdrivers_and_fixed_tools_are_what_was_answered():
    for answers, kind in _walk():
        assert kind.is_screwdriver == ("screwdriver" in answers)
        assert kind.fixed == ("fixed" in answers)


@pytest.mark.parametrize("answers", [["maybe"], ["shows", "wrench", "dial", "dial"]])
def test_answers_that_do_not_fit_are_refused(answers):
    with pytest.raises(RefusedError):
        after(answers)
