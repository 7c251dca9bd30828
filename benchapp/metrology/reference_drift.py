"""How the error of a reference moved from one calibration to the next."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from benchapp.metrology.correction import points_of
from benchapp.metrology.errors import RefusedError
from benchapp.metrology.intervals import fit_drift, reach_at
from benchapp.metrology.reference import Calibration, Reference
from benchapp.torque.direction import Direction

DAYS_PER_YEAR: Final = 365.25
SHARES: Final = (0.2, 0.6, 1.0)
"""At which shares of the newest calibration's highest point the error is followed (our own choice)."""


@dataclass(frozen=True, slots=True)
class ErrorAt:
    """The error that one certificate gives at one torque.

    Attributes:
        calibrated: When.
        certificate: Which.
        error_percent: (indicated − applied) / applied, percent; between points by a straight line.
        expanded_percent: Its expanded uncertainty U, brought to k = 2, the greater of the two neighbouring points;
            None: not stated.
    """

    calibrated: dt.date
    certificate: str
    error_percent: float
    expanded_percent: float | None


@dataclass(frozen=True, slots=True)
class ErrorSeries:
    """The error at one torque over all calibrations that reach it, oldest first."""

    torque_nm: float
    direction: Direction
    errors: tuple[ErrorAt, ...]

    @property
    def last_step_percent(self) -> float | None:
        """How far it moved between the last two calibrations; None with one."""
        return self.errors[-1].error_percent - self.errors[-2].error_percent if len(self.errors) > 1 else None

    @property
    def last_step_is_seen(self) -> bool:
        """The last step is greater than what both certificates' uncertainties together explain.

        |E1 − E2| > √(U1² + U2²): the normalized error of ISO/IEC 17043 above 1 (from memory). Without U: False.
        """
        step = self.last_step_percent
        stated = [error.expanded_percent for error in self.errors[-2:]]
        known = [value for value in stated if value is not None]
        return step is not None and len(known) == 2 and abs(step) > math.hypot(*known)


@dataclass(frozen=True, slots=True)
class Outlook:
    """Where the error at one torque may stand on a day to come, by a line fitted to its steps.

    Attributes:
        percent_per_year: Fitted slope.
        n: Steps it was fitted to.
        expected_percent: Expected error on that day.
        reach_percent: Half width of its interval.
        probability: Of that interval.
    """

    percent_per_year: float
    n: int
    expected_percent: float
    reach_percent: float
    probability: float


def error_series(reference: Reference, shares: Sequence[float] = SHARES) -> list[ErrorSeries]:
    """Return the error at some torques, for each direction that the newest calibration has; [] without one."""
    newest = reference.calibration
    if newest is None:
        return []
    found = []
    for direction in Direction:
        points = points_of(newest, direction)
        if not points:
            continue
        targets = {
            min(points, key=lambda p: abs(p.applied_nm - share * points[-1].applied_nm)).applied_nm for share in shares
        }
        for torque_nm in sorted(targets):
            at = [_error_at(calibration, direction, torque_nm) for calibration in reference.calibrations]
            known = sorted((each for each in at if each is not None), key=lambda each: each.calibrated)
            found.append(ErrorSeries(torque_nm, direction, tuple(known)))
    return found


def _error_at(calibration: Calibration, direction: Direction, torque_nm: float) -> ErrorAt | None:
    points = points_of(calibration, direction)
    if not points or not points[0].applied_nm * 0.999 <= torque_nm <= points[-1].applied_nm * 1.001:
        return None
    applied = [point.applied_nm for point in points]
    errors = [(point.indicated_nm - point.applied_nm) / point.applied_nm * 100 for point in points]
    above = min(int(np.searchsorted(applied, torque_nm * 0.999)), len(points) - 1)
    beside = {above} if math.isclose(applied[above], torque_nm, rel_tol=1e-3) else {max(above - 1, 0), above}
    stated = [points[index].expanded_percent for index in beside]
    known = [value for value in stated if value is not None]
    expanded = max(known) / calibration.coverage_factor * 2 if len(known) == len(stated) else None
    error = float(np.interp(torque_nm, applied, errors))
    return ErrorAt(calibration.calibrated, calibration.certificate, error, expanded)


def outlook(series: ErrorSeries, day: dt.date, *, probability: float = 0.95) -> Outlook | None:
    """Return where the error may stand on `day`; None: too few calibrations (three at least), or `day` is not later.

    Source:
        NASA-HDBK-8739.19-5, variables data (second-hand), of order 1; see `benchapp.metrology.intervals`.
    """
    years, moved = [], []
    for before, after in pairwise(series.errors):
        years.append((after.calibrated - before.calibrated).days / DAYS_PER_YEAR)
        moved.append(after.error_percent - before.error_percent)
    ahead = (day - series.errors[-1].calibrated).days / DAYS_PER_YEAR if series.errors else 0.0
    if ahead <= 0:
        return None
    try:
        drift = fit_drift(years, moved, order=1)
    except RefusedError:
        return None
    last = series.errors[-1]
    u0 = (last.expanded_percent or 0.0) / 2
    reach = reach_at(drift, ahead, u0, (1 + probability) / 2, math.inf)  # a certificate's k = 2 names no ν
    return Outlook(
        float(drift.coefficients[0]), len(years), last.error_percent + drift.drift(ahead), reach, probability
    )
