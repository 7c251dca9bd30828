"""Type and class of a tool by plain questions. Nobody is asked for a letter; the letter is shown.

A question is data: its key, its answers, and where each leads. The wording belongs to the user interface; `text` is
what a person would be asked in plain words.

Types I and II: scope of ISO 6789-2:2017 (seen). The letters: ISO 6789-1:2017, clause 4 (from memory, unconfirmed).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from benchapp.metrology.errors import RefusedError
from benchapp.metrology.tool import ToolType


@dataclass(frozen=True, slots=True)
class ToolKind:
    """What the questions lead to.

    Attributes:
        tool_type: Indicating (I) or setting (II).
        tool_class: Letter.
        is_screwdriver: Screwdriver rather than wrench.
        fixed: One value only.
        source: Where the letter comes from.
        mark: How sure we are of it.
    """

    tool_type: ToolType
    tool_class: str
    is_screwdriver: bool
    fixed: bool
    source: str = "ISO 6789-1:2017, clause 4"
    mark: str = "M"


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer: its key, plain words, and the next question's key or the result."""

    key: str
    text: str
    leads_to: str | ToolKind


@dataclass(frozen=True, slots=True)
class Question:
    """One question with its answers, two or more."""

    key: str
    text: str
    answers: tuple[Answer, ...]


FIRST: Final = "act"

_I, _II = ToolType.INDICATING, ToolType.SETTING

QUESTIONS: Final[Mapping[str, Question]] = MappingProxyType(
    {
        q.key: q
        for q in (
            Question(
                "act",
                "When the torque is reached, does the tool let go (click, slip) or does it show the torque?",
                (Answer("lets-go", "It lets go", "setting-form"), Answer("shows", "It shows it", "showing-form")),
            ),
            Question(
                "showing-form",
                "Is it a wrench or a screwdriver?",
                (
                    Answer("wrench", "Wrench", "showing-wrench"),
                    Answer("screwdriver", "Screwdriver", "showing-screwdriver"),
                ),
            ),
            Question(
                "showing-wrench",
                "What shows the torque?",
                (
                    Answer("beam", "A bar that bends or twists", ToolKind(_I, "A", False, False)),
                    Answer("dial", "A dial or scale on a rigid body", ToolKind(_I, "B", False, False)),
                    Answer("electronic", "Electronics with figures", ToolKind(_I, "C", False, False)),
                ),
            ),
            Question(
                "showing-screwdriver",
                "What shows the torque?",
                (
                    Answer("dial", "A dial or scale", ToolKind(_I, "D", True, False)),
                    Answer("electronic", "Electronics with figures", ToolKind(_I, "E", True, False)),
                ),
            ),
            Question(
                "setting-form",
                "Is it a wrench or a screwdriver?",
                (
                    Answer("wrench", "Wrench", "setting-wrench"),
                    Answer("screwdriver", "Screwdriver", "setting-screwdriver"),
                ),
            ),
            Question(
                "setting-wrench",
                "How is its torque set?",
                (
                    Answer("scale", "On a scale or display of its own", "setting-wrench-bar"),
                    Answer("fixed", "Not at all: it has one value", ToolKind(_II, "B", False, True)),
                    Answer("no-scale", "It can be set, but has no scale", ToolKind(_II, "C", False, False)),
                ),
            ),
            Question(
                "setting-wrench-bar",
                "Does a bar bend while you pull?",
                (
                    Answer("no", "No, the body is rigid", ToolKind(_II, "A", False, False)),
                    Answer("yes", "Yes, a bar bends", ToolKind(_II, "G", False, False)),
                ),
            ),
            Question(
                "setting-screwdriver",
                "How is its torque set?",
                (
                    Answer("scale", "On a scale or display of its own", ToolKind(_II, "D", True, False)),
                    Answer("fixed", "Not at all: it has one value", ToolKind(_II, "E", True, True)),
                    Answer("no-scale", "It can be set, but has no scale", ToolKind(_II, "F", True, False)),
                ),
            ),
        )
    }
)


def after(answers: Sequence[str]) -> Question | ToolKind:
    """Return what comes after these answers: the next question, or what the tool is.

    Args:
        answers: Answer keys in the order asked; empty gives the first question.

    Raises:
        RefusedError: An answer the question does not have, or answers left over.

    >>> kind = after(["lets-go", "wrench", "scale", "no"])
    >>> kind.tool_type.value, kind.tool_class, kind.mark
    ('II', 'A', 'M')
    """
    question = QUESTIONS[FIRST]
    for i, key in enumerate(answers):
        chosen = next((a for a in question.answers if a.key == key), None)
        if chosen is None:
            raise RefusedError(f"answers[{i}]", key, f"an answer to {question.key}", _choices(question))
        if isinstance(chosen.leads_to, ToolKind):
            if i + 1 < len(answers):
                raise RefusedError(f"answers[{i + 1}]", answers[i + 1], "no answer: all is known", "nothing more")
            return chosen.leads_to
        question = QUESTIONS[chosen.leads_to]
    return question


def _choices(question: Question) -> str:
    return " or ".join(a.key for a in question.answers)


def kinds() -> tuple[ToolKind, ...]:
    """Return every kind that the questions can lead to."""
    return tuple(a.leads_to for q in QUESTIONS.values() for a in q.answers if isinstance(a.leads_to, ToolKind))
