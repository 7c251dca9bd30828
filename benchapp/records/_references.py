"""The store's references with their calibrations, and its people."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping

import sqlalchemy as sa
from sqlalchemy.dialects.sqlite import insert as upsert

from benchapp.metrology.reference import Calibration, Reference
from benchapp.records._base import StoreBase, as_json
from benchapp.records._followed import (
    MADE_CUSTODIAN,
    NO_CUSTODIAN,
    PERSON_ADDED,
    PERSON_CHANGED,
    REFERENCE_CHANGED,
    REFERENCE_ENTERED,
)
from benchapp.records._held import hold_rows
from benchapp.records.canonical import canonical
from benchapp.records.errors import NotAllowedError
from benchapp.records.model import EntryKind, Person, Seal
from benchapp.records.schema import calibrations, people, refs
from benchapp.runs.codec import from_data, to_data


class ReferencePart(StoreBase):
    """References of a store."""

    def references(self) -> list[Reference]:
        """All references by number, with their calibrations."""
        with self._db.reading() as connection:
            certificates: dict[str, list[Calibration]] = {}
            for number, data in connection.execute(
                sa.select(calibrations.c.reference, calibrations.c.data).order_by(calibrations.c.sequence)
            ).all():
                certificates.setdefault(number, []).append(from_data(Calibration, json.loads(data)))
            return [
                dataclasses.replace(
                    from_data(Reference, json.loads(data)), calibrations=tuple(certificates.get(number, ()))
                )
                for number, data in connection.execute(sa.select(refs).order_by(refs.c.number)).all()
            ]

    def reference(self, number: str) -> Reference | None:
        """One reference; None when there is none."""
        return next((reference for reference in self.references() if reference.number == number), None)

    def save_reference(
        self, reference: Reference, *, who: str = "", details: Mapping[str, object] | None = None
    ) -> None:
        """Add a reference or change its data. Calibrations that are new are added; entered ones never change.

        What is entered or changed of it is an entry of the chain; so is each calibration.

        Args:
            reference: With all its calibrations.
            who: Enters it.
            details: What the entry is to say beside the data; there is one then even where nothing is another.

        Raises:
            NotAllowedError: A calibration was entered before with other contents, or is left out.
        """
        if not reference.number.strip():
            raise ValueError("a reference needs a number")
        data = as_json(to_data(dataclasses.replace(reference, calibrations=())))
        with self._db.writing() as connection:
            hold_rows(self)
            before = connection.execute(sa.select(refs.c.data).where(refs.c.number == reference.number)).scalar()
            connection.execute(
                upsert(refs)
                .values(number=reference.number, data=data)
                .on_conflict_do_update(index_elements=["number"], set_={"data": data})
            )
            known = {
                certificate: text
                for certificate, text in connection.execute(
                    sa.select(calibrations.c.certificate, calibrations.c.data).where(
                        calibrations.c.reference == reference.number
                    )
                ).all()
            }
            for calibration in reference.calibrations:
                text = known.pop(calibration.certificate, None)
                if text is None:
                    self._put_calibration(reference.number, calibration, who)
                elif from_data(Calibration, json.loads(text)) != calibration:
                    raise NotAllowedError(
                        self.path,
                        f"Calibration {calibration.certificate} of {reference.number} was entered with other contents; "
                        "entered calibrations are never changed. Enter a new one.",
                    )
            if known and reference.calibrations:
                raise NotAllowedError(
                    self.path,
                    f"Calibration {', '.join(known)} of {reference.number} would be lost. Nothing was changed.",
                )
            if data != before or details is not None:
                act = REFERENCE_ENTERED if before is None else REFERENCE_CHANGED
                told = {"reference": json.loads(data), **to_data(details or {})}
                self._append(EntryKind.ACT, reference.number, who, {"act": act, "details": told})

    def add_calibration(self, number: str, calibration: Calibration, *, who: str = "") -> Seal:
        """Add a calibration; it becomes an entry of the chain and, being the newest, is in force.

        Raises:
            NotAllowedError: No such reference, or its certificate was entered before.
        """
        with self._db.writing():
            return self._put_calibration(number, calibration, who)

    def _put_calibration(self, number: str, calibration: Calibration, who: str) -> Seal:
        raw = self._db.raw
        data = to_data(calibration)
        if raw.execute("SELECT 1 FROM refs WHERE number = ?", (number,)).fetchone() is None:
            raise NotAllowedError(self.path, f"There is no reference {number}.")
        if raw.execute(
            "SELECT 1 FROM calibrations WHERE reference = ? AND certificate = ?", (number, calibration.certificate)
        ).fetchone():
            raise NotAllowedError(self.path, f"Certificate {calibration.certificate} of {number} was entered before.")
        seal = self._append(EntryKind.CALIBRATION, number, who, {"reference": number, "calibration": data})
        raw.execute(
            "INSERT INTO calibrations (reference, certificate, calibrated, due, data, sequence) VALUES (?,?,?,?,?,?)",
            (number, data["certificate"], data["calibrated"], data["due"], canonical(data).decode(), seal.sequence),
        )
        return seal


class PeoplePart(StoreBase):
    """People of a store."""

    def people(self, *, include_inactive: bool = False) -> list[Person]:
        """People by name."""
        wanted = sa.select(people).order_by(people.c.name)
        if not include_inactive:
            wanted = wanted.where(people.c.active)
        with self._db.reading() as connection:
            return [Person(*row) for row in connection.execute(wanted).all()]

    def person(self, name_or_code: str) -> Person | None:
        """One person by name, or else by scanned code."""
        with self._db.reading() as connection:
            for column in (people.c.name, people.c.code):
                row = connection.execute(sa.select(people).where(column == name_or_code)).first()
                if row is not None and name_or_code:
                    return Person(*row)
        return None

    def save_person(self, person: Person, *, who: str = "") -> None:
        """Add or change a person.

        Each change is an entry of the chain; who becomes or stops being custodian is one of its own.
        """
        if not person.name.strip():
            raise ValueError("a person needs a name")
        values = dataclasses.asdict(person)
        with self._db.writing() as connection:
            hold_rows(self)
            before = connection.execute(sa.select(people).where(people.c.name == person.name)).first()
            connection.execute(
                upsert(people)
                .values(**values)
                .on_conflict_do_update(index_elements=["name"], set_={k: v for k, v in values.items() if k != "name"})
            )
            is_other = before is None or (before.code, bool(before.active)) != (person.code, person.active)
            if is_other:
                act = PERSON_ADDED if before is None else PERSON_CHANGED
                details = {"code": person.code, "active": person.active}
                self._append(EntryKind.ACT, person.name, who, {"act": act, "details": details})
            if bool(before is not None and before.is_custodian) != person.is_custodian:
                act = MADE_CUSTODIAN if person.is_custodian else NO_CUSTODIAN
                self._append(EntryKind.ACT, person.name, who, {"act": act})
