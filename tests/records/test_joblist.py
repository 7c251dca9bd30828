"""Jobs from a list or from scans: every bad row named, nothing in before it is said, cycles counted into the tool."""

from __future__ import annotations

import contextlib
import datetime as dt
import time

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchapp.records import JobEntry, NotAllowedError, worklist
from benchapp.records import impact as im
from benchapp.records import joblist as jl
from benchapp.records.toollist import ListFileError, read_table, table_of_csv

NOW = dt.datetime(2026, 3, 4, 12, tzinfo=dt.timezone(dt.timedelta(hours=1)))
TOOLS = {"OCF-014": "OCF-014", "T14": "OCF-014", "OCF-015": "OCF-015"}


def looked(text: str, **more) -> jl.Looked:
    table = table_of_csv(text.encode(), "jobs.csv")
    return jl.jobs_of(table, jl.match(table.header), TOOLS, more.pop("logged", ()), now=NOW, **more)


def test_columns_are_matched_by_their_names():
    assert jl.match(("Date", "Time", "Tool no.", "Work order", "Operator", "Bolts", "Torque", "Unit")) == {
        "date": 0,
        "time": 1,
        "tool": 2,
        "job": 3,
        "person": 4,
        "cycles": 5,
        "torque": 6,
        "unit": 7,
    }
    assert "date" not in jl.match(("when", "tool", "job", "who", "date"))


def test_a_row_becomes_a_use_with_its_cycles_and_torque():
    found = looked("tool;job;person;when;cycles;torque\nT14;chain wheel;fitter 2;2026-03-01 09:12;12;75 lbf·ft\n")
    (entry,) = found.good
    assert (entry.tool, entry.job, entry.person, entry.cycles) == ("OCF-014", "chain wheel", "fitter 2", 12)
    assert entry.at == "2026-03-01T09:12:00+01:00"
    assert entry.torque_nm == pytest.approx(75 * 1.3558179483314004)  # 1 lbf·ft, exact by definition (NIST SP 811)
    assert found.bad == ()


@pytest.mark.parametrize(
    ("day", "clock", "said"),
    [
        ("2026-03-01T09:12:31+00:00", "", "2026-03-01T09:12:31+00:00"),
        ("2026-03-01T09:12Z", "", "2026-03-01T09:12:00+00:00"),
        ("2026-03-01 09:12:31.250", "", "2026-03-01T09:12:31+01:00"),
        ("1.3.2026", "9:12", "2026-03-01T09:12:00+01:00"),
        ("1.3.2026 9.12", "", "2026-03-01T09:12:00+01:00"),
        ("2026-03-01", "", "2026-03-01T12:00:00+01:00"),
    ],
)
def test_times_are_read_as_they_are_written(day, clock, said):
    moment, is_noon = jl.read_moment(day, clock, NOW)
    assert moment.isoformat() == said
    assert is_noon is (day == "2026-03-01")


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("OCF-999,job,who,2026-03-01 9:12,,", "no tool OCF-999"),
        (",job,who,2026-03-01 9:12,,", "Tool is missing"),
        ("OCF-014,,who,2026-03-01 9:12,,", "Job is missing"),
        ("OCF-014,job,,2026-03-01 9:12,,", "Person is missing"),
        ("OCF-014,job,who,,,", "missing; accepted"),
        ("OCF-014,job,who,03/04/2026 9:12,,", "slashes mean two days"),
        ("OCF-014,job,who,2026-02-30 9:12,,", "no moment of the calendar"),
        ("OCF-014,job,who,2026-03-01 quarter past,,", "hours and minutes"),
        ("OCF-014,job,who,2026-03-01 25:12,,", "no moment of the calendar"),
        ("OCF-014,job,who,2027-03-01 9:12,,", "still to come"),
        ("OCF-014,job,who,1926-03-01 9:12,,", "1970 and later"),
        ("OCF-014,job,who,2026-03-01 9:12,2.5,", "whole number"),
        ("OCF-014,job,who,2026-03-01 9:12,-1,", "whole number"),
        ("OCF-014,job,who,2026-03-01 9:12,many,", "Cycles"),
        ("OCF-014,job,who,2026-03-01 9:12,,tight", "Torque"),
        ("OCF-014,job,who,2026-03-01 9:12,,-5 N·m", "above 0"),
    ],
)
def test_a_row_that_cannot_be_is_named_with_line_and_reason(row, why):
    found = looked(f"tool,job,person,when,cycles,torque\nOCF-014,a,b,2026-03-01 9:12,,\n{row}\n")
    assert len(found.good) == 1
    (bad,) = found.bad
    assert bad.line == 3
    assert why in bad.why


def test_the_same_use_comes_in_once():
    text = "tool,job,person,when\nOCF-014,a,b,2026-03-01 9:12\nT14,a,b,2026-03-01T08:12Z\n"
    found = looked(text)
    assert [bad.why for bad in found.bad] == ["The same use stands in line 2 of this list already."]
    again = looked(text, logged=found.good)
    assert again.good == ()
    assert "log already" in again.bad[0].why


def test_a_missing_column_is_asked_for_in_every_row():
    found = looked("tool,job,when\nOCF-014,a,2026-03-01 9:12\n")
    assert found.good == ()
    assert "Person" in found.bad[0].why


def test_a_wrong_encoding_is_read_and_noted_or_refused(tmp_path):
    table = table_of_csv("tool;job;person;when\nOCF-014;Schäkel;b;2026-03-01 9:12\n".encode("cp1252"))
    assert table.rows[0][1] == "Schäkel"
    assert "Western European" in table.notes[0]
    wide = table_of_csv("tool;job;person;when\nOCF-014;Schäkel;b;2026-03-01 9:12\n".encode("utf-16"))
    assert wide.rows == table.rows
    with pytest.raises(ListFileError, match="no text"):
        table_of_csv(b"\x00\x01\x02\x03")
    lost = looked("tool;job;person;when\nOCF-014;Sch\ufffdkel;b;2026-03-01 9:12\n")
    assert "were lost" in lost.bad[0].why


def test_a_workbook_is_read_like_a_text(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["tool", "job", "person", "when", "cycles"])
    book.active.append(["OCF-014", "chain wheel", "fitter 2", "2026-03-01 09:12", 12])
    book.save(tmp_path / "jobs.xlsx")
    table = read_table(tmp_path / "jobs.xlsx")
    found = jl.jobs_of(table, jl.match(table.header), TOOLS, (), now=NOW)
    assert found.good[0].cycles == 12


def test_a_hundred_thousand_rows_are_looked_at_in_seconds():
    rows = "".join(f"OCF-014,job {i},fitter 2,2026-03-01 9:12,1\n" for i in range(100_000))
    begin = time.process_time()
    found = looked(f"tool,job,person,when,cycles\n{rows}")
    took = time.process_time() - begin
    assert len(found.good) == 100_000
    assert took < 20, f"{took:.1f} s CPU"
    with pytest.raises(ListFileError, match="100000"):
        looked(f"tool,job,person,when,cycles\n{rows}{rows}")


# -------------------------------------------------------------------------------------------------------- into the log


def test_an_import_counts_cycles_into_the_tool_and_is_noted(store):
    entries = looked(
        "tool,job,person,when,cycles\nOCF-014,a,b,2026-03-01 9:12,40\nOCF-014,gear,b,2026-03-01 9:13,2\n"
    ).good
    with pytest.raises(NotAllowedError, match="who"):
        jl.import_jobs(store, entries, who=" ")
    assert store.all_jobs() == []
    assert jl.import_jobs(store, entries, who="custodian", origin="jobs.csv") == 2
    assert store.tool("OCF-014").cycles == 42
    assert [job.job for job in jl.newest_jobs(store)] == ["gear", "a"]
    assert [job.job for job in jl.newest_jobs(store, search="gear")] == ["gear"]
    assert jl.newest_jobs(store, search="%") == []
    (noted,) = store.entries("")
    assert b"jobs imported" in noted.body
    assert jl.import_jobs(store, (), who="custodian") == 0


def test_a_use_scanned_by_mistake_is_taken_out_with_a_reason(store):
    job = store.log_job(JobEntry("OCF-014", "a", "b", "2026-03-01T09:12:00+01:00", 40))
    with pytest.raises(NotAllowedError, match="why"):
        jl.remove_job(store, job.key, "", who="fitter 2")
    jl.remove_job(store, job.key, "wrong tool scanned", who="fitter 2")
    assert store.tool("OCF-014").cycles == 0
    assert b"wrong tool scanned" in store.entries(f"job:{job.key}")[-1].body
    assert store.check().holds
    with pytest.raises(NotAllowedError, match="no use"):
        jl.remove_job(store, job.key, "again", who="fitter 2")


def test_a_use_on_the_work_list_stays_in_the_log(store):
    job = store.log_job(JobEntry("OCF-014", "a", "b", "2026-03-01T09:12:00+01:00", 40))
    suspect = im.SuspectJob(job, (5.0, 6.0), True)
    worklist.open_tasks(store, im.ToolImpact("run", "OCF-014", "", "", "", (), (suspect,)), who="custodian")
    with pytest.raises(NotAllowedError, match="work list"):
        jl.remove_job(store, job.key, "hide it", who="fitter 2")


@given(st.text(max_size=30), st.text(max_size=12))
@settings(max_examples=200, deadline=None)
def test_whatever_stands_in_a_column_of_times_is_a_moment_or_a_sentence(day, clock):
    with contextlib.suppress(ValueError):
        moment, _ = jl.read_moment(day, clock, NOW)
        assert moment.tzinfo is not None


@given(
    st.from_regex(r"[0-9]{1,4}-[0-9]{1,2}-[0-9]{1,2}[ T][0-9]{1,2}:[0-9]{2}(Z|[+-][0-9]{2}:?[0-9]{2})?", fullmatch=True)
)
@settings(max_examples=200, deadline=None)
def test_times_that_look_right_are_refused_with_a_sentence_or_are_what_they_say(text):
    problem = ""
    try:
        moment, _ = jl.read_moment(text, "", NOW)
    except ValueError as refused:
        problem = str(refused)
    if problem:
        assert problem.startswith(("When", "Time"))
    else:
        assert moment.year >= jl.EARLIEST
        assert moment <= NOW + dt.timedelta(days=1)


PEOPLE = {"P-11": "fitter 1", "fitter 1": "fitter 1"}


def test_scans_in_any_order_make_a_use_and_job_and_person_stay():
    scanned = jl.Scanned()
    done = []
    for code in ("P-11", "chain wheel", "T14", "OCF-015", "slip hook", "T14"):
        scanned, tool = jl.take_scan(scanned, code, TOOLS, PEOPLE)
        done += [(tool, scanned.job, scanned.person)] if tool else []
    assert done == [
        ("OCF-014", "chain wheel", "fitter 1"),
        ("OCF-015", "chain wheel", "fitter 1"),
        ("OCF-014", "slip hook", "fitter 1"),
    ]


def test_a_tool_scanned_first_waits_for_job_and_person():
    scanned, tool = jl.take_scan(jl.Scanned(), "T14", TOOLS, PEOPLE)
    assert (tool, scanned.tool, scanned.wants) == ("", "OCF-014", "person")
    scanned, tool = jl.take_scan(scanned, "P-11", TOOLS, PEOPLE)
    assert (tool, scanned.wants) == ("", "job")
    scanned, tool = jl.take_scan(scanned, "slip hook", TOOLS, PEOPLE)
    assert (tool, scanned.tool, scanned.wants) == ("OCF-014", "", "tool")


def test_where_nobody_is_entered_a_typed_name_is_who_works():
    # it was taken for the job, and the page asked who works for ever
    scanned, done = jl.Scanned(), []
    for code in ("fitter 2", "chain wheel", "ocf-014", "anchor winch", "T14"):
        scanned, tool = jl.take_scan(scanned, code, TOOLS, {})
        done += [(tool, scanned.job, scanned.person)] if tool else []
    assert done == [("OCF-014", "chain wheel", "fitter 2"), ("OCF-014", "anchor winch", "fitter 2")]


@pytest.mark.parametrize(
    ("so_far", "text", "words"),
    [
        (jl.Scanned("chain wheel", "fitter 1"), "OCF-999", "No tool in the Rack is OCF-999"),
        (jl.Scanned("chain wheel", "fitter 1"), "P-12", "Nobody here is P-12"),
        (jl.Scanned(), "fitter 7", "Nobody here is fitter 7"),
        (jl.Scanned("chain wheel"), "deck hand", "the job is chain wheel"),
    ],
)
def test_what_is_no_job_never_becomes_one(so_far, text, words):
    with pytest.raises(jl.JobScanError, match=words):
        jl.take_scan(so_far, text, TOOLS, PEOPLE)


def test_a_job_of_digits_only_is_a_job_though_tools_have_codes_of_digits():
    assert jl.take_scan(jl.Scanned("", "fitter 1"), "20031", {**TOOLS, "10014": "OCF-014"}, PEOPLE)[0].job == "20031"
