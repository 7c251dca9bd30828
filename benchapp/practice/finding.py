"""What a study found, in words: rows for the picture and one plain sentence, made of the same figures. Pure.

One word, one meaning:

- *who pulls*: all that goes by the person, "with all tools alike" and "with some tools more" together; what the
  trade calls reproducibility. A study tells people apart when the interval of this share leaves zero out.
- *with all tools alike*: somebody pulls higher or lower with whatever tool.
- *with some tools more*: somebody pulls higher or lower with one tool than with another (the interaction).
- *which tool*, and *from pull to pull* of one person with one tool.

What is told from chance hangs on the interval that is shown beside it, not on a second test: sentence, picture and
table cannot disagree. For a share of one source the two are the same, its interval leaves zero out when the p of the
F test is below half of what the interval leaves out (0.025 at 95 %).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from benchapp.metrology.anova import Share, Study

ALIKE: Final = "with all tools alike"
SOME_MORE: Final = "with some tools more"
WHO: Final = "who pulls"
TOOL: Final = "which tool"
WITHIN: Final = "from pull to pull"
SOURCES: Final[Mapping[str, str]] = MappingProxyType({"person": ALIKE, "interaction": SOME_MORE, "tool": TOOL})
"""Name of a component in an analysis -> what it is called."""
POOLED: Final = "counted in pull to pull"


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the picture.

    Attributes:
        name: Of the source.
        share: Of the spread; None when it was counted elsewhere.
        text: The share with its interval, or where it was counted.
        is_part: Part of the row before it that is none.
    """

    name: str
    share: Share | None
    text: str
    is_part: bool = False


def rows(analysis: Study) -> tuple[Row, ...]:
    """Return the lines of the picture; those that are no parts add up to 100 %."""
    s = analysis.shares

    def row(name: str, share: Share, *, is_part: bool = False) -> Row:
        return Row(name, share, f"{percent(share.percent)} %  ({interval(share)})", is_part)

    some = Row(SOME_MORE, None, POOLED, True) if analysis.pooled else row(SOME_MORE, s.interaction, is_part=True)
    return (
        row(WHO, s.reproducibility),
        row(ALIKE, s.person, is_part=True),
        some,
        row(TOOL, s.tool),
        row(WITHIN, s.within),
    )


def is_told(share: Share) -> bool:
    """True when chance alone is not enough for a share: its interval leaves zero out."""
    return share.low > 0


def percent(value: float) -> str:
    """Return a share without its sign, never so short that something looks like nothing.

    >>> [percent(x) for x in (0.0, 0.004, 0.31, 0.97, 34.4)]
    ['0', 'below 0.1', '0.3', '1', '34']
    """
    if 0 < value < 0.1:
        return "below 0.1"
    return f"{value:.1f}" if 0 < value < 0.95 else f"{value:.0f}"


def interval(share: Share) -> str:
    """Return the ends of a share's interval.

    >>> interval(Share(30.0, 0.2, 61.0))
    '0.2 to 61 %'
    """
    return f"{percent(share.low)} to {percent(share.high)} %"


_PORTIONS: Final = (
    (0.05, "one twentieth"),
    (0.10, "a tenth"),
    (0.125, "one eighth"),
    (1 / 6, "one sixth"),
    (0.20, "one fifth"),
    (0.25, "a quarter"),
    (1 / 3, "one third"),
    (0.40, "two fifths"),
    (0.50, "half"),
    (0.60, "three fifths"),
    (2 / 3, "two thirds"),
    (0.75, "three quarters"),
    (0.80, "four fifths"),
    (0.90, "nine tenths"),
)


def portion(share_percent: float) -> str:
    """Return a share in words, the nearest simple fraction; "none" only for nothing at all.

    >>> [portion(x) for x in (0.0, 0.2, 34.0, 52.0, 97.0)]
    ['none', 'almost none', 'about one third', 'about half', 'almost all']
    """
    if share_percent <= 0:
        return "none"
    if share_percent < 4:
        return "almost none"
    if share_percent > 95:
        return "almost all" if share_percent < 100 else "all"
    return f"about {min(_PORTIONS, key=lambda row: abs(row[0] - share_percent / 100))[1]}"


def sentence(analysis: Study) -> str:
    """Return the plain sentence: how much of the spread is who pulls, and how the rest is shared out.

    Cases: people differ (with all tools alike, with some tools more, both, or it cannot be told which); no difference
    between them can be told, then what their share may still be; the tool's share told or not. Too few data show as an
    interval that leaves nearly everything open.
    """
    s = analysis.shares
    who = s.reproducibility
    probability = f"{100 * analysis.probability:.0f} % interval"
    if is_told(who):
        first = (
            f"{_capital(portion(who.percent))} of the spread is {WHO}: {percent(who.percent)} %, "
            f"{probability} {interval(who)}{_how(analysis)}."
        )
    else:
        first = (
            f"No difference between people can be told from chance: {WHO} is {percent(who.percent)} % of the spread, "
            f"{probability} {interval(who)}."
        )
    within = f"{portion(s.within.percent)} is {WITHIN} ({percent(s.within.percent)} %)."
    if is_told(s.tool):
        return f"{first} {_capital(portion(s.tool.percent))} is {TOOL} ({percent(s.tool.percent)} %), {within}"
    return (
        f"{first} No difference between tools can be told from chance: {TOOL} is {percent(s.tool.percent)} %, "
        f"{probability} {interval(s.tool)}. {_capital(within)}"
    )


def _how(analysis: Study) -> str:
    """How people differ who do; nothing when the interaction is pooled: then with all tools alike."""
    if analysis.pooled:
        return ""
    alike, some = is_told(analysis.shares.person), is_told(analysis.shares.interaction)
    if alike and some:
        return f", partly {ALIKE}, partly {SOME_MORE} than with others"
    if some:
        return f", {SOME_MORE} than with others"
    if alike:
        return f", {ALIKE}"
    return f"; whether {ALIKE} or {SOME_MORE} than with others cannot be told"


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
