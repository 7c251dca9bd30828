"""Direction of torque, looking along the drive to the transducer (ISO 6789)."""

from __future__ import annotations

from enum import StrEnum


class Direction(StrEnum):
    """Clockwise is positive everywhere inside the program, whatever the transducer calls positive."""

    CLOCKWISE = "clockwise"
    ANTICLOCKWISE = "anticlockwise"

    @property
    def sign(self) -> int:
        """+1 clockwise, −1 anticlockwise."""
        return 1 if self is Direction.CLOCKWISE else -1

    @property
    def opposite(self) -> Direction:
        """The other one."""
        return Direction.ANTICLOCKWISE if self is Direction.CLOCKWISE else Direction.CLOCKWISE
