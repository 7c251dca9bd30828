"""From what the device wrote to torque in N·m: unit, polarity, zero, the reference's calibration."""

from __future__ import annotations

import logging

import numpy as np

from benchapp.metrology.correction import Correction
from benchapp.metrology.reference import Reference
from benchapp.torque.direction import Direction
from benchapp.torque.units import factor_nm
from drivers.samples import FloatArray, SampleBlock

log = logging.getLogger(__name__)


class TorqueChain:
    """Turns blocks into torque. The engine changes it; the link's thread may read while it does.

    Attributes:
        zero_nm: Level subtracted from the indicated torque before it is corrected, N·m, clockwise positive.
    """

    def __init__(self) -> None:
        self.zero_nm = 0.0
        self._sign = 1
        self._corrections: tuple[Correction, Correction] | None = None  # clockwise, anticlockwise; replaced as one
        self._certificate = ""

    def set_polarity(self, *, clockwise_positive: bool) -> None:
        """Say what positive means to the device."""
        self._sign = 1 if clockwise_positive else -1

    def set_reference(self, reference: Reference) -> None:
        """Correct by the calibration in force; degree 0 or none: samples are taken as they come."""
        calibration = reference.calibration
        corrections = None
        self._certificate = ""
        if calibration is not None and calibration.degree > 0 and calibration.points:
            try:
                clockwise = Correction.from_calibration(calibration, Direction.CLOCKWISE)
                corrections = (clockwise, Correction.from_calibration(calibration, Direction.ANTICLOCKWISE))
                self._certificate = calibration.certificate
            except ValueError as error:  # the plan has warned of it; the trace's "correction" says none
                log.warning("%s: calibration %s corrects nothing: %s", reference.number, calibration.certificate, error)
        self._corrections = corrections

    @property
    def description(self) -> str:
        """Which correction is applied: the certificate's number, or "none"."""
        return self._certificate or "none"

    def indicated_nm(self, block: SampleBlock) -> FloatArray:
        """Return what the device says in N·m, clockwise positive, before zero and correction."""
        indicated: FloatArray = block.torque * (self._sign * factor_nm(block.unit))
        return indicated

    def true_nm(self, indicated_nm: FloatArray) -> FloatArray:
        """Return torque with zero subtracted and the calibration applied; each sign by its own direction."""
        zeroed: FloatArray = indicated_nm - self.zero_nm
        corrections = self._corrections
        if corrections is None:
            return zeroed
        clockwise, anticlockwise = corrections
        if len(zeroed) == 0 or zeroed.min() >= 0:
            return np.asarray(clockwise.true_torque(zeroed))
        if zeroed.max() <= 0:
            return -np.asarray(anticlockwise.true_torque(-zeroed))
        magnitude = np.abs(zeroed)
        positive = np.asarray(clockwise.true_torque(magnitude))
        negative = np.asarray(anticlockwise.true_torque(magnitude))
        return np.where(zeroed >= 0, positive, -negative)
