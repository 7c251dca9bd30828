"""Whether a reference is good enough for a tool at every checkpoint; each failing as data with its numbers."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from benchapp.metrology.correction import (
    Correction,
    drift_percent,
    error_percent_at,
    expanded_percent_at,
    points_of,
)
from benchapp.metrology.errors import positive
from benchapp.metrology.reference import Reference
from benchapp.torque.direction import Direction


class Quantity(StrEnum):
    """By which quantity of its own an edition makes its demand; how much it demands stands in the procedure's file."""

    INTERVAL = "interval"  # W'_md: |error| + residual + U, or as the certificate states it
    UNCERTAINTY = "uncertainty"  # U, k = 2
    ACCURACY = "accuracy"  # error and U, k = 2


@dataclass(frozen=True, slots=True)
class Demand:
    """An edition's demand.

    Attributes:
        quantity: What is compared.
        share_of_limit: Greatest share of the permissible deviation, e.g. 0.25; None when `percent` holds.
        percent: Greatest value in percent of the reading; None when `share_of_limit` holds.
    """

    quantity: Quantity
    share_of_limit: float | None = None
    percent: float | None = None

    def greatest(self, limit_percent: float) -> float:
        """Return the greatest value allowed for a permissible deviation, percent."""
        if self.percent is not None:
            return positive("demand.percent", self.percent)
        return positive("demand.share_of_limit", self.share_of_limit or 0.0) * limit_percent


@dataclass(frozen=True, slots=True)
class ReferenceUse:
    """What a reference contributes at one torque. All in percent of the reading.

    Attributes:
        expanded_percent: W_md.
        coverage_factor: Its k.
        error_percent: b_ep, known error that is left; 0 when corrected.
        interval_percent: W'_md.
        drift_percent: Between the last two calibrations; None with fewer.
        residual_percent: Worst residual of the correction curve; None: it goes through all its points because there are
            no more than its degree, which says nothing of how it lies between them.
        certificate: Number of the calibration in force.
    """

    expanded_percent: float
    coverage_factor: float = 2.0
    error_percent: float = 0.0
    interval_percent: float | None = None
    drift_percent: float | None = None
    residual_percent: float | None = 0.0
    certificate: str = ""


def use_at(reference: Reference, direction: Direction, torque_nm: float) -> ReferenceUse | None:
    """Return what the reference contributes; None without calibration or stated uncertainty there."""
    calibration = reference.calibration
    if calibration is None:
        return None
    expanded = expanded_percent_at(calibration, direction, torque_nm)
    if expanded is None:
        return None
    error = error_percent_at(calibration, direction, torque_nm)
    residual: float | None = 0.0
    if calibration.degree:
        curve = Correction.from_calibration(calibration, direction)
        residual = curve.worst_residual_percent if len(curve.residuals_percent) > calibration.degree else None
    interval = calibration.interval_percent
    return ReferenceUse(
        expanded,
        calibration.coverage_factor,
        error,
        abs(error) + (residual or 0.0) + expanded if interval is None else interval,
        drift_percent(reference, direction, torque_nm),
        residual,
        calibration.certificate,
    )


@dataclass(frozen=True, slots=True)
class Need:
    """What one checkpoint needs of a reference."""

    target_nm: float
    direction: Direction
    limit_percent: float


@dataclass(frozen=True, slots=True)
class Failing:
    """One thing a reference falls short in.

    Attributes:
        key: "no-calibration", "overdue", "not-yet-calibrated", "below-range", "above-range", "direction",
            "no-uncertainty", or a `Quantity` value.
        need: The checkpoint; None when it concerns all.
        value: What the reference has (N·m, percent or days).
        limit: What is asked for.
    """

    key: str
    need: Need | None = None
    value: float | None = None
    limit: float | None = None


def failings(reference: Reference, needs: Sequence[Need], demand: Demand | None, today: dt.date) -> tuple[Failing, ...]:
    """Return everything in which the reference falls short; empty: it is suitable."""
    calibration = reference.calibration
    if calibration is None:
        return (Failing("no-calibration"),)
    found: list[Failing] = []
    if calibration.due < today:
        found.append(Failing("overdue", None, float((today - calibration.due).days), 0.0))
    if calibration.calibrated > today:
        found.append(Failing("not-yet-calibrated", None, float((calibration.calibrated - today).days), 0.0))
    top = min(calibration.usable_to_nm, reference.capacity_nm)
    for need in needs:
        if need.target_nm < calibration.usable_from_nm * (1 - 1e-9):
            found.append(Failing("below-range", need, need.target_nm, calibration.usable_from_nm))
            continue
        if need.target_nm > top * (1 + 1e-9):
            found.append(Failing("above-range", need, need.target_nm, top))
            continue
        if not points_of(calibration, need.direction):
            found.append(Failing("direction", need))
        if demand is None:
            continue
        use = use_at(reference, need.direction, need.target_nm)
        if use is None:
            found.append(Failing("no-uncertainty", need))
            continue
        value, limit = quantity_of(use, demand.quantity), demand.greatest(need.limit_percent)
        if value > limit * (1 + 1e-12):
            found.append(Failing(demand.quantity.value, need, value, limit))
    return tuple(found)


def quantity_of(use: ReferenceUse, quantity: Quantity) -> float:
    """Return the reference's value of the quantity that an edition demands, percent; U is brought to k = 2."""
    expanded = use.expanded_percent / use.coverage_factor * 2
    if quantity is Quantity.UNCERTAINTY:
        return expanded
    if quantity is Quantity.INTERVAL and use.interval_percent is not None:
        return use.interval_percent
    return abs(use.error_percent) + (use.residual_percent or 0.0) + expanded


def would_do(
    others: Sequence[Reference], needs: Sequence[Need], demand: Demand | None, today: dt.date
) -> tuple[str, ...]:
    """Return the numbers of the references that are suitable for all these checkpoints."""
    return tuple(r.number for r in others if not failings(r, needs, demand, today))
