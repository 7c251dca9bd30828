"""Asking where a file lies or is to go: the first time in the person's documents, then where the last one was."""

from __future__ import annotations

import re
from pathlib import Path

from PySide6.QtCore import QStandardPaths
from PySide6.QtWidgets import QFileDialog, QWidget

_last: list[str] = []


def ask_save(parent: QWidget, title: str, name: str, kinds: str) -> Path | None:
    """Return where to save, or None.

    Args:
        parent: Over which it is asked.
        title: Of the dialog.
        name: Proposed name; what no file's name may hold is replaced.
        kinds: As "PDF (*.pdf)"; the first ending is added to a name without one.
    """
    safe = "".join("-" if character in '/\\:*?"<>|' else character for character in name)
    proposed, endings = folder() / safe, re.findall(r"\*(\.\w+)", kinds)
    while True:
        chosen, _ = QFileDialog.getSaveFileName(parent, title, str(proposed), kinds)
        if not chosen:
            return None
        path = Path(chosen)
        if not endings or path.suffix.casefold() in endings or ("(*)" in kinds and path.suffix):
            return _kept(path)
        proposed = path.with_name(path.name + endings[0])
        if not proposed.exists():  # else it is asked again: the dialog has not asked whether that one may go
            return _kept(proposed)


def ask_open(parent: QWidget, title: str, kinds: str) -> Path | None:
    """Return the file to open, or None."""
    chosen, _ = QFileDialog.getOpenFileName(parent, title, str(folder()), kinds)
    return _kept(Path(chosen)) if chosen else None


def ask_folder(parent: QWidget, title: str) -> Path | None:
    """Return a folder, or None."""
    chosen = QFileDialog.getExistingDirectory(parent, title, str(folder()))
    if not chosen:
        return None
    _last[:] = [chosen]
    return Path(chosen)


def folder() -> Path:
    """Return where the last file was, else the documents, else the home folder; one that is there."""
    usual = QStandardPaths.writableLocation(QStandardPaths.StandardLocation.DocumentsLocation)
    return next((Path(each) for each in (*_last, usual) if each and Path(each).is_dir()), Path.home())


def _kept(path: Path) -> Path:
    _last[:] = [str(path.parent)]
    return path
