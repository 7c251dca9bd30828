"""A scanned label says what was printed, or is refused; anything else is left to be a barcode."""

from __future__ import annotations

import datetime as dt
import hashlib

import numpy as np
import pytest
import segno
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.records import Outcome
from benchapp.records.labels import Label, ScanError, label_text, number_of_scan, read_scan

DAY = dt.date(2026, 3, 4)
LABEL = Label("OCF-014", Outcome.WITHIN, DAY, dt.date(2027, 3, 4))

labels = st.builds(
    Label,
    st.text(min_size=1, max_size=30),
    st.sampled_from([Outcome.OPEN, Outcome.WITHIN, Outcome.OUT]),
    st.none() | st.dates(dt.date(1000, 1, 1)),
    st.none() | st.dates(dt.date(1000, 1, 1)),
)


@given(labels.filter(lambda label: label.number.isprintable()))
@settings(max_examples=60, deadline=None)
def test_what_is_printed_is_read(label):
    assert read_scan(f" {label_text(label)}\r\n") == label


def test_the_text_is_as_documented():
    body = "KILTER1/OCF-014/WITHIN/20260304/20270304"
    assert label_text(LABEL) == f"{body}/{hashlib.sha256(body.encode()).hexdigest()[:8].upper()}"
    assert segno.make(label_text(LABEL)).mode == "alphanumeric"


def test_every_character_lost_or_changed_is_found():
    text = label_text(LABEL)
    for index in range(len("KILTER1/"), len(text)):
        for wrong in (text[:index] + text[index + 1 :], text[:index] + "ß" + text[index + 1 :], text[:index]):
            with pytest.raises(ScanError, match="number"):
                read_scan(wrong)


def test_other_codes_are_left_alone_and_newer_labels_named():
    for other in ("OCF-014", "", "4006381333931", "KILTERX", "KILTER", "kilter1/OCF-014"):
        assert read_scan(other) is None
        assert number_of_scan(f"{other}\n") == other
    with pytest.raises(ScanError, match="kind 2"):
        read_scan("KILTER2/something else")


def test_the_label_of_a_tool_finds_it(store):
    record = store.tool("OCF-014")
    text = label_text(Label(record.number))
    assert store.tool(number_of_scan(text)) == record


def test_a_general_barcode_reader_reads_it_from_the_picture():
    code = segno.make(label_text(LABEL), error="m")
    dark = np.array([list(row) for row in code.matrix_iter(scale=4, border=4)], dtype=bool)
    pixels = np.where(dark, 0, 255).astype(np.uint8)
    assert [each.text for each in zxingcpp.read_barcodes(pixels)] == [label_text(LABEL)]
