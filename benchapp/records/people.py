"""Who is kept among the people, and who of them is custodian: acts under the lock, each an entry of the chain."""

from __future__ import annotations

import dataclasses

from benchapp.records.errors import NotAllowedError
from benchapp.records.model import Person
from benchapp.records.store import Store


def keep_person(store: Store, person: Person, *, who: str) -> None:
    """Add or change a person as custodian `who`.

    Raises:
        NotAllowedError: `who` is no custodian, the badge's code is somebody else's, or nobody would be custodian.
    """
    by = store.person(who)
    if by is None or by.name != who or not (by.is_custodian and by.active):
        raise NotAllowedError(store.path, f"{who or 'Nobody'} is no custodian; only a custodian changes the people.")
    _must_be_free(store, person)
    before = store.person(person.name)
    was = before is not None and before.name == person.name and before.is_custodian and before.active
    if was and not (person.is_custodian and person.active) and len(custodians(store)) == 1:
        raise NotAllowedError(store.path, f"{person.name} is the only custodian. Make somebody else custodian first.")
    store.save_person(person, who=who)


def name_first(store: Store, person: Person) -> None:
    """Name the first custodian of records that have none; that nobody else allowed it shows in the entry.

    Raises:
        NotAllowedError: There is a custodian already, or the badge's code is somebody else's.
    """
    there = custodians(store)
    if there:
        raise NotAllowedError(store.path, f"{there[0].name} is custodian already and may name others.")
    _must_be_free(store, person)
    store.save_person(dataclasses.replace(person, is_custodian=True, active=True), who=person.name)


def keep_witness(store: Store, name: str, *, who: str) -> None:
    """Enter the second person before whom a lost passphrase is replaced, in a shop that knows only its custodian.

    Raises:
        NotAllowedError: There are others who can be asked, or `who` is no custodian.
    """
    if [person for person in store.people() if person.name != who]:
        raise NotAllowedError(store.path, "There are other people here; one of them is the second person.")
    keep_person(store, Person(name.strip()), who=who)


def custodians(store: Store) -> list[Person]:
    """Return the custodians who may still unlock."""
    return [person for person in store.people() if person.is_custodian]


def _must_be_free(store: Store, person: Person) -> None:
    if not person.name.strip():
        raise NotAllowedError(store.path, "A person needs a name or a role.")
    for other in store.people(include_inactive=True):
        if other.name == person.name:
            continue
        if other.name.casefold() == person.name.strip().casefold():
            raise NotAllowedError(store.path, f"{other.name} is there already.")
        if person.code and person.code == other.code:
            raise NotAllowedError(store.path, f"The code {person.code} is on the badge of {other.name}.")
    if person.code and (store.tool(person.code) is not None or store.reference(person.code) is not None):
        raise NotAllowedError(store.path, f"{person.code} is the number of a tool or reference; a scan opens that.")
