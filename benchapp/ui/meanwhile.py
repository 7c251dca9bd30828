"""What another window changed while somebody typed in this one: taken over where this one left it alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any, Final

from benchapp.metrology.reference import Reference
from benchapp.records import ToolRecord

Group = tuple[str, ...]
"""Fields that mean something only together."""

_SCALE: Final[Group] = (
    "tool_type",
    "tool_class",
    "is_screwdriver",
    "unit",
    "lowest",
    "highest",
    "resolution",
    "fixed",
    "has_memory",
)
_WORDS: Final = {
    _SCALE: "what it is and its scale",
    ("code",): "its code",
    ("declared_percent",): "the limit from its maker",
    ("directions",): "how it works",
    ("first_use",): "its first use",
    ("interval_months",): "its interval in months",
    ("interval_cycles",): "its interval in cycles",
    ("capacity_nm",): "its capacity",
    ("identity",): "what it answers with",
    ("profile",): "what it talks like",
}


def tool_merged(opened: ToolRecord, wanted: ToolRecord, now: ToolRecord) -> tuple[ToolRecord, ToolRecord, str]:
    """Bring a tool's entries of two windows together.

    Args:
        opened: As it stood when this window began to change it.
        wanted: As this window wants it.
        now: As it stands in the records.

    Returns:
        What is to be kept; `opened` with what both changed as it stands now, so that to keep once more is to mean it;
        and what both changed, in words, "" for nothing.
    """
    inner, seen, both = _merged(opened.tool, wanted.tool, now.tool, (_SCALE, *_single(now.tool, _SCALE)))
    outer, seen_outer, more = _merged(opened, wanted, now, _single(now, ("tool",)))
    return replace(outer, tool=inner), replace(seen_outer, tool=seen), _told(both + more)


def reference_merged(opened: Reference, wanted: Reference, now: Reference) -> tuple[Reference, Reference, str]:
    """The same for a reference; its certificates are taken as they stand now."""
    merged, seen, both = _merged(opened, wanted, now, _single(now, ()))
    return merged, seen, _told(both)


def told(number: str, both: str) -> str:
    """Say that two windows changed the same."""
    return (
        f"{number} was changed in another window meanwhile: {both}. Yours is not kept yet; keep it once more to put it "
        "over the other one, or go back."
    )


def _single(of: Any, but: Sequence[str]) -> list[Group]:
    return [(field.name,) for field in fields(of) if field.name not in but]


def _merged(opened: Any, wanted: Any, now: Any, groups: Sequence[Group]) -> tuple[Any, Any, list[Group]]:
    taken: dict[str, Any] = {}
    seen: dict[str, Any] = {}
    both: list[Group] = []
    for group in groups:
        before, mine, theirs = ([getattr(each, name) for name in group] for each in (opened, wanted, now))
        if mine == before:
            taken.update(zip(group, theirs, strict=True))
        elif theirs not in (before, mine):
            both.append(group)
            seen.update(zip(group, theirs, strict=True))
    return replace(wanted, **taken), replace(opened, **seen), both


def _told(both: Sequence[Group]) -> str:
    return ", ".join(_WORDS.get(group, f"its {group[0].replace('_', ' ')}") for group in both)
