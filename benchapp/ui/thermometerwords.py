"""What is said of the thermometer."""

from __future__ import annotations

from typing import Final

from benchapp.ui.format import short

MENU: Final = "Thermometer …"
TITLE: Final = "Thermometer"
WHY: Final = (
    "A thermometer on a port of its own gives a run its temperature at the start and at the verdict, and the humidity "
    "if it measures it. What is typed always stands; the record says where each value comes from."
)
PORT: Final = "Port"
OTHER_PORT: Final = "Another port"
OTHER_PORT_HINT: Final = "A port's name or socket://HOST:PORT; what stands here counts before the list."
PROFILE: Final = "What it sends"
NUMBER: Final = "Its number"
NUMBER_HINT: Final = "Stands in the record, such as OCF-T1."
NO_PORT: Final = "none: temperatures are typed"
READ: Final = "Use this"
CLOSE: Final = "Close"
NONE_READ: Final = "No thermometer is read: temperatures are typed."
WAITING: Final = "Waiting for its second line; the first may be cut and is not taken."
TAKEN: Final = "This port is the transducer's. Choose another one."


def value(celsius: float, humidity_percent: float | None, age_s: float) -> str:
    """Return a value with its age.

    >>> value(21.5, 48.0, 3.2)
    '21.5 °C, 48 % humidity, 3 s ago.'
    """
    humidity = "" if humidity_percent is None else f", {short(round(humidity_percent, 2))} % humidity"
    return f"{short(round(celsius, 2))} °C{humidity}, {age_s:.0f} s ago."
