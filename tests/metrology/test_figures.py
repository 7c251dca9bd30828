"""Figures beside the procedures are data with source and mark; what is computed uses them."""

import pytest

from benchapp.metrology import anova, figures, intervals, risk
from benchapp.records import check_standard, history
from benchapp.records import intervals as tool_intervals
from benchapp.runs import influences


def test_every_figure_has_source_and_mark_and_a_standard_its_clause():
    assert len(figures.stated()) == 17
    for name, figure in figures.stated().items():
        assert figure.mark in figures.MARKS, name
        assert figure.source, name
        assert bool(figure.clause) is figure.source.startswith(("ISO", "NIST", "AIAG")), name
        assert figure.mark != "P" or "practice" in figure.source or "example" in figure.clause, name


def test_what_is_computed_takes_its_figures_from_there():
    """Every figure of the file is used: one that is not decides nothing and does not belong there."""
    used = {
        **{f"series.{symbol}": kind.n_readings for symbol, kind in influences.KINDS.items()},
        "model.fewest_tools": influences.LEAST_TOOLS,
        "history.fewest_verifications": risk.SHORTEST_HISTORY,
        "history.fewest_tools": risk.FEWEST_TOOLS,
        "interval.in_tolerance": history.TARGET,
        "interval.shortest": tool_intervals.SHORTEST_MONTHS,
        "interval.longest": tool_intervals.LONGEST_MONTHS,
        "interval.step_shorter": intervals.SHORTER,
        "interval.step_longer": intervals.LONGER,
        "check.fewest_values": check_standard.LEAST,
        "check.baseline": check_standard.BASELINE,
        "check.weight": check_standard.WEIGHT,
        "check.width": check_standard.WIDTH,
        "study.pool_above": anova.POOL_ABOVE,
    }
    assert used == {name: figure.value for name, figure in figures.stated().items()}


def test_a_series_shows_its_source_and_mark():
    kind = influences.KINDS["w_od"]
    assert (kind.n_pulls, kind.mark) == (40, "M")
    assert kind.source == "ISO 6789-2:2017, 6.2 (by its title)"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a.b = { value = 1, mark = 'P' }", "a.b: source is missing"),
        ("a.b = { value = 1, source = 'x' }", "a.b: mark is missing"),
        ("a.b = { source = 'x', mark = 'P' }", "a.b: value is missing"),
        ("a.b = { value = 1, source = 'x', mark = 'Q' }", "a.b: 'Q' is none of C, C2"),
    ],
)
def test_a_figure_without_source_or_mark_is_refused(text, said):
    with pytest.raises(ValueError, match=said):
        figures.read_figures(text)
