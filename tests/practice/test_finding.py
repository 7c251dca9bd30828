"""The plain sentence of a study says what its table and its picture say, whatever was found.

The sentence is taken apart here as a reader would, by its words, and held against the analysis.
"""

from __future__ import annotations

import re

import numpy as np
import pytest

from benchapp.metrology.anova import Share, Study, study
from benchapp.practice.finding import ALIKE, POOLED, SOME_MORE, TOOL, WHO, WITHIN, percent, portion, rows, sentence

PORTIONS = {
    "none": 0.0,
    "almost none": 2.0,
    "one twentieth": 5.0,
    "a tenth": 10.0,
    "one eighth": 12.5,
    "one sixth": 100 / 6,
    "one fifth": 20.0,
    "a quarter": 25.0,
    "one third": 100 / 3,
    "two fifths": 40.0,
    "half": 50.0,
    "three fifths": 60.0,
    "two thirds": 200 / 3,
    "three quarters": 75.0,
    "four fifths": 80.0,
    "nine tenths": 90.0,
    "almost all": 97.5,
    "all": 100.0,
}
NUMBER = r"(below 0\.1|\d+(?:\.\d)?)"
TOLD = re.compile(
    rf"(.+) of the spread is {WHO}: {NUMBER} %, 95 % interval {NUMBER} to {NUMBER} %"
    r"(, partly .+|, with .+|; whether .+|)\."
)
UNTOLD = re.compile(
    rf"No difference between people can be told from chance: {WHO} is {NUMBER} % of the spread, "
    rf"95 % interval {NUMBER} to {NUMBER} %\."
)
REST = re.compile(
    rf"(?:(.+) is {TOOL} \({NUMBER} %\), |No difference between tools can be told from chance: {TOOL} is {NUMBER} %, "
    rf"95 % interval {NUMBER} to {NUMBER} %\. )(.+) is {WITHIN} \({NUMBER} %\)\."
)


def value(text: str) -> float:
    return 0.05 if text.startswith("below") else float(text)


def made(random: np.random.Generator, sds: tuple[float, float, float, float], shape: tuple[int, int, int]) -> Study:
    p, t, _ = shape
    person, tool, both, within = sds
    return study(
        random.normal(0, person, (p, 1, 1))
        + random.normal(0, tool, (1, t, 1))
        + random.normal(0, both, (p, t, 1))
        + random.normal(0, within, shape)
    )


def read(text: str) -> tuple[bool, str, str, list[float], re.Match[str]]:
    """(people differ, portion, how, [share, low, high], the rest) as the sentence says."""
    first, rest = re.split(r"(?<=\.) (?=[A-Z])", text, maxsplit=1)
    others = REST.fullmatch(rest)
    assert others is not None, text
    told, untold = TOLD.fullmatch(first), UNTOLD.fullmatch(first)
    assert (told is None) != (untold is None), text
    if told is not None:
        return True, told[1], told[5], [value(told[k]) for k in (2, 3, 4)], others
    assert untold is not None
    return False, "", "", [value(untold[k]) for k in (1, 2, 3)], others


def fits(word: str, share_percent: float) -> bool:
    """A portion in words is near to the share: to a third and to five points."""
    said = PORTIONS[word.lower().removeprefix("about ")]
    return abs(said - share_percent) <= 5.0 and abs(said - share_percent) <= max(0.34 * share_percent, 2.0)


def check(a: Study) -> str:
    """Hold the sentence and the rows of an analysis against each other and against the numbers; return the case."""
    s, text = a.shares, sentence(a)
    differ, word, how, figures, rest = read(text)
    picture = {row.name: row for row in rows(a)}
    who = picture[WHO].share
    assert who is not None
    assert who == s.reproducibility
    assert figures == pytest.approx([who.percent, who.low, who.high], abs=0.51)
    assert differ is (who.low > 0)
    # what is said of it is what the picture shows, letter for letter
    assert picture[WHO].text == f"{percent(who.percent)} %  ({percent(who.low)} to {percent(who.high)} %)"
    assert f"{percent(who.percent)} %" in text
    assert f"interval {percent(who.low)} to {percent(who.high)} %" in text
    if differ:
        assert who.percent > 0
        assert figures[1] > 0  # never “from 0” where zero is left out
        assert fits(word, who.percent), text
    else:
        assert figures[1] == 0
    assert (rest[1] is not None) is (s.tool.low > 0)
    if rest[1] is not None:
        assert fits(rest[1], s.tool.percent), text
    else:
        assert value(rest[4]) == 0
        assert picture[TOOL].text == f"{rest[3]} %  ({rest[4]} to {rest[5]} %)"
    assert fits(rest[6], s.within.percent), text
    tool_text = rest[2] or rest[3]
    assert picture[TOOL].text.startswith(f"{tool_text} %")
    assert picture[WITHIN].text.startswith(f"{rest[7]} %")
    whole = [row.share.percent for row in rows(a) if not row.is_part and row.share is not None]
    assert sum(whole) == pytest.approx(100.0)
    assert figures[0] + value(tool_text) + value(rest[7]) == pytest.approx(100.0, abs=1.5)
    parts = [row.share.percent for row in rows(a) if row.is_part and row.share is not None]
    assert sum(parts) == pytest.approx(who.percent)
    assert (picture[SOME_MORE].text == POOLED) is a.pooled
    if not differ:
        return "nobody"
    alike, some = s.person.low > 0, s.interaction.low > 0
    if a.pooled:
        assert how == ""
        return "pooled"
    wanted = {
        (True, True): f", partly {ALIKE}, partly {SOME_MORE} than with others",
        (True, False): f", {ALIKE}",
        (False, True): f", {SOME_MORE} than with others",
        (False, False): f"; whether {ALIKE} or {SOME_MORE} than with others cannot be told",
    }
    assert how == wanted[alike, some]
    return {(True, True): "both", (True, False): "alike", (False, True): "some", (False, False): "either"}[alike, some]


def test_the_sentence_agrees_with_table_and_picture_over_random_studies():
    """400 studies of all sizes and kinds of spread, seed 20261130; every case of the sentence comes up."""
    random = np.random.default_rng(20261130)
    seen: dict[str, int] = {}
    for _ in range(400):
        shape = (int(random.integers(2, 7)), int(random.integers(2, 8)), int(random.integers(2, 6)))
        person, tool, both = random.choice([0.0, 0.3, 1.0, 4.0], 3)
        case = check(made(random, (person, tool, both, float(random.choice([0.1, 1.0]))), shape))
        seen[case] = seen.get(case, 0) + 1
    assert set(seen) == {"nobody", "pooled", "both", "alike", "some", "either"}, seen


def test_the_words_for_a_difference_agree_with_the_p_of_the_table():
    """An interval leaves zero out when p is below 0.025; between 0.02 and 0.03 its draws may fall on either side."""
    random = np.random.default_rng(7)
    for _ in range(150):
        a = made(random, (0.7, 0.7, 0.5, 1.0), (4, 4, 3))
        for line, share in (
            (a.person, a.shares.person),
            (a.tool, a.shares.tool),
            (a.interaction, a.shares.interaction),
        ):
            if not 0.02 < line.p < 0.03 and not (a.pooled and line is a.interaction):
                assert (share.low > 0) is (line.p < 0.025)


def test_people_who_pull_alike_differ_by_nothing_that_can_be_told():
    values = np.random.default_rng(22).normal(size=(3, 4, 3))
    values -= values.mean(axis=2, keepdims=True)  # whatever the tool
    a = study(values + 2.0 * np.arange(4)[None, :, None])
    assert check(a) == "nobody"
    assert "person" in dict(a.negative)
    assert sentence(a).startswith("No difference between people")
    assert f"{WHO} is 0 % of the spread, 95 % interval 0 to " in sentence(a)


def test_who_differ_with_some_tools_only_are_told_so():
    random = np.random.default_rng(5)
    both = random.normal(0, 3.0, (4, 6, 1))
    both -= both.mean(axis=1, keepdims=True)  # no person pulls higher over all
    a = study(both + random.normal(0, 0.3, (4, 6, 3)))
    assert check(a) == "some"
    assert a.shares.person.percent == 0
    assert f", {SOME_MORE} than with others." in sentence(a)


def test_a_spread_that_is_the_tools_is_said_to_be():
    a = made(np.random.default_rng(8), (0.0, 10.0, 0.0, 0.5), (3, 6, 3))
    assert check(a) == "nobody"
    assert "Almost all is which tool (" in sentence(a)


def test_too_few_data_leave_nearly_everything_open():
    """Two people who differ by as much as their pulls do: up to nearly all of the spread may be who pulls."""
    values = np.array([[[0.0, 1.0], [0.5, -0.5]], [[1.0, 1.5], [0.2, 1.4]]])
    a = study(values)
    assert check(a) == "nobody"
    assert a.shares.reproducibility.high > 90


def test_pulls_without_any_spread_within_are_told_too():
    """A coarse reference: each person with each tool reads one value again and again."""
    values = np.repeat(np.array([[0.0, 1.0, 2.0], [3.0, 4.0, 5.0]])[:, :, None], 3, axis=2)
    assert check(study(values)) in ("alike", "pooled")


def test_portions_are_the_nearest_and_nothing_is_only_nothing():
    for tenth in range(1001):
        assert fits(portion(tenth / 10), tenth / 10), tenth / 10
    assert portion(0.0) == "none"
    assert portion(0.2) == "almost none"
    assert [percent(v) for v in (0.0, 0.04, 0.96)] == ["0", "below 0.1", "1"]
    assert Share(1.0, 0.0, 2.0).low == 0
