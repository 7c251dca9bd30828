"""The custodian's lock, and the due list in a calendar."""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import sqlite3

import icalendar
import pytest

from benchapp.records import DueItem, NotAllowedError, Person, ToolState, custodian
from benchapp.records.canonical import parse
from benchapp.records.due_calendar import due_calendar

from .conftest import START


@pytest.fixture(autouse=True)
def cheap(monkeypatch):
    monkeypatch.setattr(custodian, "N", 2**10)


def test_scrypt_is_the_one_of_rfc_7914():
    # RFC 7914, section 12, second vector (first 32 of its 64 octets: PBKDF2 gives them in order).
    expected = "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"
    assert hashlib.scrypt(b"password", salt=b"NaCl", n=1024, r=8, p=16, maxmem=2**26, dklen=32).hex() == expected
    assert custodian._scrypt("password", b"NaCl", 1024, 8, 16).hex() == expected


def test_only_the_right_passphrase_opens_and_it_is_not_in_the_file(store, path):
    custodian.set_passphrase(store, "Fähre über Fluss", who="custodian")
    assert custodian.check(store, "Fähre über Fluss")
    assert not custodian.check(store, "Fahre uber Fluss")
    with pytest.raises(NotAllowedError, match="old passphrase is wrong"):
        custodian.set_passphrase(store, "something else", who="custodian", old="no")
    custodian.set_passphrase(store, "something else", who="custodian", old="Fähre über Fluss")
    assert custodian.check(store, "something else")
    store.close()
    data = path.read_bytes()
    assert b"something else" not in data
    with contextlib.closing(sqlite3.connect(path)) as raw:
        assert raw.execute("SELECT length(salt) FROM custodian").fetchone() == (16,)


def test_attempts_are_slowed_down_also_after_a_restart(store, clock, open_store):
    custodian.set_passphrase(store, "right and long", who="custodian")
    for _ in range(5):
        clock.now += dt.timedelta(seconds=10)
        assert not custodian.check(store, "wrong")
    for _ in range(3):
        clock.now += dt.timedelta(seconds=60)
        assert not custodian.check(store, "wrong")
    with pytest.raises(custodian.TooSoonError) as caught:
        custodian.check(open_store(), "right and long")
    assert 20 < caught.value.wait_s <= 32
    clock.now += dt.timedelta(seconds=40)
    assert custodian.check(store, "right and long")
    assert not custodian.check(store, "wrong")  # counting begins anew


def test_waits_double_up_to_five_minutes():
    assert [custodian._wait(n) for n in (0, 2, 3, 4, 5, 10, 11, 12, 99)] == [0, 0, 1, 2, 4, 128, 256, 300, 300]


def test_who_is_no_custodian_sets_nothing(store):
    for who in ("fitter 2", "", "nobody"):
        with pytest.raises(NotAllowedError, match="no custodian"):
            custodian.set_passphrase(store, "right and long", who=who)
    with pytest.raises(NotAllowedError, match="at least 8"):
        custodian.set_passphrase(store, "short", who="custodian")
    with pytest.raises(NotAllowedError, match="No passphrase"):
        custodian.check(store, "anything")
    assert not custodian.has_passphrase(store)


def test_a_lost_passphrase_is_replaced_before_a_witness_and_leaves_a_trace(store):
    custodian.set_passphrase(store, "right and long", who="custodian")
    for witness in ("custodian", "a stranger"):
        with pytest.raises(NotAllowedError, match="second person"):
            custodian.replace_lost(store, "new and long", who="custodian", witness=witness, why="forgotten")
    seal = custodian.replace_lost(store, "new and long", who="custodian", witness="fitter 3", why="forgotten")
    assert custodian.check(store, "new and long")
    entry = store.entries("")[-1]
    assert entry.seal == seal
    content = parse(entry.body)["content"]
    assert content["act"] == "lost passphrase replaced"
    assert len(content["details"].pop("proof")) == 64
    assert content["details"].pop("cost")[:3] == [custodian.N, custodian.R, custodian.P]
    assert content["details"] == {"witness": "fitter 3", "why": "forgotten"}
    assert store.check().holds


def test_the_lock_closes_when_idle_and_when_the_clock_goes_back(store, clock):
    custodian.set_passphrase(store, "right and long", who="custodian")
    lock = custodian.Lock(store, idle_s=100)
    assert lock.custodian() == ""
    assert not lock.open("wrong wrong", who="custodian")
    assert lock.open("right and long", who="custodian")
    clock.now += dt.timedelta(seconds=90)
    assert lock.custodian() == "custodian"
    clock.now += dt.timedelta(seconds=101)
    assert lock.custodian() == ""
    lock.open("right and long", who="custodian")
    clock.now -= dt.timedelta(seconds=500)
    assert lock.custodian() == ""
    store.save_person(Person("custodian", is_custodian=False))
    with pytest.raises(NotAllowedError):
        lock.open("right and long", who="custodian")


def test_a_general_calendar_library_reads_the_due_list():
    items = [
        DueItem(
            "OCF-014", "ferry 1; aft, Ölraum " + "ä" * 60, "", ToolState.OVERDUE, dt.date(2026, 3, 1), -3, 12, (8, 40)
        ),
        DueItem("OCF-015", "", "", ToolState.OVERDUE, None, None, 0, (2.5, 10)),
    ]
    text = due_calendar(items, now=START)
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    events = icalendar.Calendar.from_ical(text).walk("VEVENT")
    assert [event["DTSTART"].dt for event in events] == [dt.date(2026, 3, 1), START.date()]
    assert str(events[0]["LOCATION"]) == items[0].place
    assert events[0]["DTSTAMP"].dt == START.astimezone(dt.UTC)
    assert str(events[1]["SUMMARY"]) == "Verify OCF-015"
    assert len({str(event["UID"]) for event in events}) == 2
