"""Where files are asked for: never in the program's own folder, the next time where the last one went."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import QStandardPaths
from PySide6.QtWidgets import QFileDialog

from benchapp.ui import files


@pytest.fixture
def asked(monkeypatch, tmp_path):
    """The documents are `tmp_path`/documents; (what the next dialogs answer, what they proposed)."""
    documents = tmp_path / "documents"
    documents.mkdir()
    monkeypatch.setattr(QStandardPaths, "writableLocation", lambda _where: str(documents))
    monkeypatch.setattr(files, "_last", [])
    answers: list[str] = []
    proposed: list[str] = []

    def answer(_parent, _title, where, *_kinds):
        proposed.append(where)
        return answers.pop(0), ""

    monkeypatch.setattr(QFileDialog, "getSaveFileName", answer)
    monkeypatch.setattr(QFileDialog, "getOpenFileName", answer)
    return answers, proposed


def test_it_begins_in_the_documents_and_goes_on_where_the_last_file_went(asked, tmp_path):
    answers, proposed = asked
    (tmp_path / "year 2026").mkdir()
    answers += [str(tmp_path / "year 2026" / "due.pdf"), "", str(tmp_path / "year 2026" / "tools.csv")]
    saved = files.ask_save(None, "The due list", "due-2026-11-30.pdf", "PDF (*.pdf)")
    assert saved == tmp_path / "year 2026" / "due.pdf"
    assert files.ask_save(None, "The due list", "due.pdf", "PDF (*.pdf)") is None
    assert files.ask_open(None, "A list", "Lists (*.csv *.xlsx)") == tmp_path / "year 2026" / "tools.csv"
    assert [Path(each) for each in proposed] == [
        tmp_path / "documents" / "due-2026-11-30.pdf",
        tmp_path / "year 2026" / "due.pdf",
        tmp_path / "year 2026",
    ]


def test_a_folder_that_is_gone_is_not_proposed(asked, monkeypatch, tmp_path):
    monkeypatch.setattr(files, "_last", [str(tmp_path / "stick")])
    assert files.folder() == tmp_path / "documents"
    (tmp_path / "documents").rmdir()
    assert files.folder() == Path.home()


@pytest.mark.parametrize(
    ("typed", "kept"), [("life", "life.pdf"), ("OCF-1.5", "OCF-1.5.pdf"), ("Life.PDF", "Life.PDF")]
)
def test_a_name_without_its_ending_gets_it(asked, tmp_path, typed, kept):
    asked[0].append(str(tmp_path / typed))
    assert files.ask_save(None, "t", "n.pdf", "PDF (*.pdf)") == tmp_path / kept


def test_a_file_that_is_there_is_asked_about_before_an_ending_makes_it_the_one(asked, tmp_path):
    answers, proposed = asked
    (tmp_path / "life.pdf").write_text("kept")
    answers += [str(tmp_path / "life"), ""]
    assert files.ask_save(None, "t", "n.pdf", "PDF (*.pdf)") is None
    assert Path(proposed[-1]) == tmp_path / "life.pdf"


def test_a_number_with_a_slash_is_no_folder(asked):
    asked[0].append("")
    files.ask_save(None, "t", "A/14-life.pdf", "PDF (*.pdf)")
    assert Path(asked[1][0]).name == "A-14-life.pdf"
