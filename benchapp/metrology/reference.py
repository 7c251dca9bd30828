"""A reference transducer and its calibrations as metrology sees them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from benchapp.torque.direction import Direction


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """One step of a calibration.

    Attributes:
        applied_nm: What the laboratory applied, N·m, > 0.
        indicated_nm: What the reference showed, N·m.
        expanded_percent: Expanded uncertainty at this point in percent of `applied_nm`; None if not stated.
        direction: Direction of torque.
        falling: Taken while torque fell.
    """

    applied_nm: float
    indicated_nm: float
    expanded_percent: float | None
    direction: Direction = Direction.CLOCKWISE
    falling: bool = False


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration certificate; never changed once entered.

    Attributes:
        certificate: Certificate number.
        laboratory: Who issued it.
        calibrated: Date of calibration.
        due: Date by which the next one is due; later than `calibrated`.
        usable_from_nm: Lower end of the usable range, N·m.
        usable_to_nm: Upper end.
        coverage_factor: k of the expanded uncertainties, >= 1.
        points: In the order of the certificate.
        degree: 1 to 3: degree of the correction polynomial through zero; 0: no correction is applied.
        reference_class: Stated class, e.g. "0.5"; empty if none.
        interval_percent: W'_md where the certificate states one; None: derived from deviation and uncertainty.
        temperature_c: At calibration; None if not stated.
        temperature_percent_per_k: How the reference's span changes with temperature, % per K; None if not stated.
    """

    certificate: str
    laboratory: str
    calibrated: dt.date
    due: dt.date
    usable_from_nm: float
    usable_to_nm: float
    coverage_factor: float
    points: tuple[CalibrationPoint, ...]
    degree: int = 1
    reference_class: str = ""
    interval_percent: float | None = None
    temperature_c: float | None = None
    temperature_percent_per_k: float | None = None


@dataclass(frozen=True, slots=True)
class Reference:
    """A reference transducer.

    Attributes:
        number: The shop's number, e.g. "REF-1"; unique.
        capacity_nm: Greatest torque it may carry, N·m.
        profile: Name of the serial profile it talks with.
        identity: What the device answers when asked who it is, or its USB serial number; empty if it cannot tell.
        calibrations: Oldest first; the last one is in force.
        maker: Free text.
        model: Free text.
        serial: Free text.
    """

    number: str
    capacity_nm: float
    profile: str = ""
    identity: str = ""
    calibrations: tuple[Calibration, ...] = ()
    maker: str = ""
    model: str = ""
    serial: str = ""

    @property
    def calibration(self) -> Calibration | None:
        """The one in force; None when none was ever entered."""
        return self.calibrations[-1] if self.calibrations else None
