"""A torque tool as metrology sees it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from benchapp.torque.direction import Direction
from benchapp.torque.units import to_nm


class ToolType(StrEnum):
    """ISO 6789: Type I shows torque, Type II is set to a torque and signals it."""

    INDICATING = "I"
    SETTING = "II"


@dataclass(frozen=True, slots=True)
class Tool:
    """One torque tool. Torques are in `unit`, the unit of its own scale, as marked on it.

    Attributes:
        number: The shop's number, e.g. "OCF-014"; unique.
        tool_type: Indicating or setting.
        tool_class: Letter A to G; found by the plain questions of `benchapp.metrology.classes`.
        is_screwdriver: Screwdriver rather than wrench.
        unit: A key of `FACTORS`.
        lowest: Lowest marked (or maker-stated lowest) value, > 0; for a fixed tool its one value.
        highest: Maximum, >= lowest.
        resolution: Scale division or digit step, in `unit`; None when the tool has no scale.
        fixed: The tool has one value only (`highest`).
        directions: In which it works.
        declared_percent: Permissible deviation declared by the maker, tighter than the procedure's; None if none.
        has_memory: Indicating tools: a follower pointer or memory shows the value after the pull.
        maker: Free text.
        model: Free text.
        serial: Free text.
        drive: Free text, e.g. "1/2 in".
    """

    number: str
    tool_type: ToolType
    tool_class: str
    unit: str
    lowest: float
    highest: float
    is_screwdriver: bool = False
    resolution: float | None = None
    fixed: bool = False
    directions: tuple[Direction, ...] = (Direction.CLOCKWISE,)
    declared_percent: float | None = None
    has_memory: bool = False
    maker: str = ""
    model: str = ""
    serial: str = ""
    drive: str = ""

    @property
    def highest_nm(self) -> float:
        """Maximum in N·m."""
        return to_nm(self.highest, self.unit)

    @property
    def lowest_nm(self) -> float:
        """Lowest value in N·m."""
        return to_nm(self.lowest, self.unit)
