"""What a reference's calibration says: correction, residuals, uncertainty between its points, drift.

The correction is a polynomial of degree 1 to 3 without constant term, fitted by least squares to applied over
indicated torque, each direction for itself (EURAMET cg-14 and DIN 51309 fit through zero the same way; from memory).
Applied as a function of indicated: turning an indication into torque is then a plain evaluation, exact and cheap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from benchapp.metrology.errors import RefusedError, positive
from benchapp.metrology.reference import Calibration, CalibrationPoint, Reference
from benchapp.torque.direction import Direction
from drivers.samples import FloatArray


def fit_through_zero(x: FloatArray, y: FloatArray, degree: int) -> tuple[float, ...]:
    """Return the coefficients of x, x², … x^degree that fit y best by least squares, no constant term.

    Args:
        x: Shape (n,), n >= degree, not all zero.
        y: Shape (n,).
        degree: 1 to 3.

    Source:
        EURAMET cg-14 / DIN 51309, polynomial without constant term (from memory); least squares.
    """
    scale = float(np.max(np.abs(x)))  # powers of a number near 1 keep the equations well conditioned
    powers = (x / scale)[:, None] ** np.arange(1, degree + 1)
    solved, *_ = np.linalg.lstsq(powers, y, rcond=None)
    return tuple(float(c) / scale**power for power, c in enumerate(solved, start=1))


def polynomial(coefficients: tuple[float, ...], x: FloatArray) -> FloatArray:
    """Return c1·x + c2·x² + …, same shape as x."""
    y = np.zeros_like(x)
    for coefficient in reversed(coefficients):
        y += coefficient
        y *= x
    return y


@dataclass(frozen=True, slots=True)
class Correction:
    """Turns indicated into applied torque in one direction; magnitudes in, magnitudes out.

    Attributes:
        coefficients: Of the powers 1, 2, 3 of the indicated torque, N·m.
        usable_from_nm: Lower end of the calibration's usable range.
        usable_to_nm: Upper end.
        residuals_percent: (indicated point, N·m; (fitted − applied) / applied, percent), rising points only.
    """

    coefficients: tuple[float, ...]
    usable_from_nm: float = 0.0
    usable_to_nm: float = math.inf
    residuals_percent: tuple[tuple[float, float], ...] = ()

    @staticmethod
    @lru_cache(maxsize=256)
    def from_calibration(calibration: Calibration, direction: Direction) -> Correction:
        """Fit the rising points of `direction`; degree 0 corrects nothing.

        A calibration that was taken in one direction only stands for both here; `suitability` says so as a failing.
        A certificate never changes, so it is fitted once: the years of a tool ask for the same few again and again.

        Raises:
            RefusedError: Too few points for the degree, not monotonic, or a curve that turns round in its range.
        """
        points = points_of(calibration, direction) or points_of(calibration, direction.opposite)
        check_points(points, calibration.degree)
        indicated = np.array([p.indicated_nm for p in points], dtype=np.float64)
        applied = np.array([p.applied_nm for p in points], dtype=np.float64)
        if calibration.degree == 0:
            coefficients: tuple[float, ...] = (1.0,)
        else:
            coefficients = fit_through_zero(indicated, applied, calibration.degree)
        fitted = polynomial(coefficients, indicated)
        residuals = (fitted - applied) / applied * 100
        _refuse_turning(coefficients, float(indicated.max(initial=0.0)))
        return Correction(
            coefficients,
            calibration.usable_from_nm,
            calibration.usable_to_nm,
            tuple((float(x), float(r)) for x, r in zip(indicated, residuals, strict=True)),
        )

    def true_torque(self, indicated_nm: FloatArray) -> FloatArray:
        """Return the torque that was applied, N·m, for an array of magnitudes; any range, for the live curve."""
        return polynomial(self.coefficients, indicated_nm)

    def reading(self, indicated_nm: float) -> float:
        """Return the torque that was applied for one reading that counts.

        Raises:
            RefusedError: Outside the usable range: a polynomial says nothing there.
        """
        torque = float(polynomial(self.coefficients, np.array([indicated_nm], dtype=np.float64))[0])
        slack = 1e-9 * abs(torque)
        if not self.usable_from_nm - slack <= torque <= self.usable_to_nm + slack:
            limit = f"{self.usable_from_nm:g} to {self.usable_to_nm:g} N·m"
            raise RefusedError("reading", torque, limit, "a reading inside the calibrated range, or another reference")
        return torque

    @property
    def worst_residual_percent(self) -> float:
        """Greatest |residual|, percent; 0 without points."""
        return max((abs(r) for _, r in self.residuals_percent), default=0.0)


def points_of(calibration: Calibration, direction: Direction, *, falling: bool = False) -> tuple[CalibrationPoint, ...]:
    """Return the rising (or falling) points of one direction, lowest first."""
    chosen = [p for p in calibration.points if p.direction is direction and p.falling is falling]
    return tuple(sorted(chosen, key=lambda p: p.applied_nm))


def check_calibration(calibration: Calibration) -> None:
    """Check everything a calibration must fulfil before it may be entered.

    Raises:
        RefusedError: Dates, k, range or points that cannot be; says field, value, limit and what would be accepted.
    """
    if calibration.due <= calibration.calibrated:
        raise RefusedError(
            "due", calibration.due.isoformat(), f"after {calibration.calibrated.isoformat()}", "a later date"
        )
    if not (math.isfinite(calibration.coverage_factor) and calibration.coverage_factor >= 1):
        raise RefusedError("coverage_factor", calibration.coverage_factor, ">= 1", "k as on the certificate, mostly 2")
    positive("usable_from_nm", calibration.usable_from_nm)
    positive("usable_to_nm", calibration.usable_to_nm)
    if calibration.usable_to_nm < calibration.usable_from_nm:
        low, high = calibration.usable_from_nm, calibration.usable_to_nm
        raise RefusedError("usable_to_nm", high, f">= usable_from_nm ({low:g})", "the upper end of the range")
    if calibration.degree not in (0, 1, 2, 3):
        raise RefusedError("degree", calibration.degree, "0 to 3", "0 (no correction), 1, 2 or 3")
    if calibration.interval_percent is not None:
        positive("interval_percent", calibration.interval_percent)
    if not calibration.points:
        raise RefusedError("points", None, "at least one", "the points of the certificate")
    for direction in Direction:
        rising = points_of(calibration, direction)
        for points in (rising, points_of(calibration, direction, falling=True)):
            if points:
                check_points(points, 0)
        if rising:
            check_points(rising, calibration.degree)
            _refuse_extrapolation(calibration, rising)
            Correction.from_calibration(calibration, direction)
    if all(p.falling for p in calibration.points):
        raise RefusedError("points", "falling only", "rising points", "the rising points of the certificate")


def check_points(points: tuple[CalibrationPoint, ...], degree: int) -> None:
    """Check points of one direction, lowest applied first.

    Raises:
        RefusedError: Too few, not positive, or the indication does not rise with the applied torque.
    """
    if degree and len(points) < degree:
        raise RefusedError("points", len(points), f">= {degree} for degree {degree}", "more points or a lower degree")
    for i, p in enumerate(points):
        positive(f"points[{i}].applied_nm", p.applied_nm)
        positive(f"points[{i}].indicated_nm", p.indicated_nm)
        if p.expanded_percent is not None:
            positive(f"points[{i}].expanded_percent", p.expanded_percent)
    for i, (a, b) in enumerate(pairwise(points), start=1):
        if not (b.applied_nm > a.applied_nm and b.indicated_nm > a.indicated_nm):
            raise RefusedError(
                f"points[{i}].indicated_nm",
                b.indicated_nm,
                f"> {a.indicated_nm:g} (the point below)",
                "points in which indication rises with applied torque",
            )


def _refuse_extrapolation(calibration: Calibration, rising: tuple[CalibrationPoint, ...]) -> None:
    low, high = rising[0].applied_nm, rising[-1].applied_nm
    if calibration.usable_to_nm > high * (1 + 1e-9):
        raise RefusedError("usable_to_nm", calibration.usable_to_nm, f"<= {high:g} (highest point)", "a range inside")
    if calibration.usable_from_nm < low * (1 - 1e-9):
        raise RefusedError("usable_from_nm", calibration.usable_from_nm, f">= {low:g} (lowest point)", "a range inside")


def _refuse_turning(coefficients: tuple[float, ...], to_nm: float) -> None:
    x = np.linspace(0.0, to_nm, 201)
    slope = sum(power * c * x ** (power - 1) for power, c in enumerate(coefficients, start=1))
    if np.any(np.asarray(slope) <= 0):
        raise RefusedError("degree", len(coefficients), "a curve that rises throughout", "a lower degree")


def expanded_percent_at(calibration: Calibration, direction: Direction, torque_nm: float) -> float | None:
    """Return the expanded uncertainty at a torque, percent: the larger of the two neighbouring points'.

    The larger neighbour is common practice, not a standard's rule: between two points nothing better is known.
    None: a neighbour states none.
    """
    points = points_of(calibration, direction) or points_of(calibration, direction.opposite)
    if not points:
        return None
    below = [p for p in points if p.applied_nm <= torque_nm * (1 + 1e-9)]
    above = [p for p in points if p.applied_nm >= torque_nm * (1 - 1e-9)]
    neighbours = [below[-1] if below else points[0], above[0] if above else points[-1]]
    stated = [p.expanded_percent for p in neighbours if p.expanded_percent is not None]
    return max(stated) if len(stated) == len(neighbours) else None


def error_percent_at(calibration: Calibration, direction: Direction, torque_nm: float) -> float:
    """Return b_ep, the known error left in the reading, percent: 0 when corrected, else interpolated at the torque.

    Positive: the reference shows more than is applied. Straight line between points (common practice).
    """
    points = points_of(calibration, direction) or points_of(calibration, direction.opposite)
    return 0.0 if calibration.degree > 0 or not points else _error_percent(points, torque_nm)


def _error_percent(points: tuple[CalibrationPoint, ...], torque_nm: float) -> float:
    errors = [(p.indicated_nm - p.applied_nm) / p.applied_nm * 100 for p in points]
    return float(np.interp(torque_nm, [p.applied_nm for p in points], errors))


def drift_percent(reference: Reference, direction: Direction, torque_nm: float) -> float | None:
    """Return how far the last two calibrations are apart at a torque, percent of it.

    Between their correction curves; where one of them corrects nothing, between the errors of their points, by a
    straight line. None with fewer than two calibrations, or where one of them does not reach the torque.
    """
    if len(reference.calibrations) < 2:
        return None
    last = reference.calibrations[-2:]
    points = [points_of(c, direction) or points_of(c, direction.opposite) for c in last]
    if not all(each and _reaches(each, torque_nm) for each in points):
        return None
    if any(c.degree == 0 for c in last):
        older, newer = (_error_percent(each, torque_nm) for each in points)
        return older - newer  # a reference that shows more than before makes of one indication a smaller torque
    at = np.array([torque_nm], dtype=np.float64)
    one, two = (Correction.from_calibration(c, direction).true_torque(at)[0] for c in last)
    return float((two - one) / torque_nm * 100)


def _reaches(points: tuple[CalibrationPoint, ...], torque_nm: float) -> bool:
    return points[0].applied_nm * (1 - 1e-3) <= torque_nm <= points[-1].applied_nm * (1 + 1e-3)
