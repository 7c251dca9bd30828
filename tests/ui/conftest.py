"""What several tests of the window share: the demonstration workshop, made once for as many years as a module wants."""

from __future__ import annotations

import datetime as dt
import shutil

import pytest
from PySide6.QtCore import QCoreApplication, QEvent

from benchapp.records import Store, demo
from benchapp.ui import theme

TODAY = dt.date(2026, 11, 25)  # a Wednesday


@pytest.fixture(autouse=True)
def look_of_its_own(qapp):
    """The windows of a test end with it, and the next one begins with the look that Qt gives.

    A window dresses the whole application: whatever older ones were still there was dressed each time too, which took
    up to ten seconds of a test that has nothing to do with them.
    """
    font, palette, sheet, chosen = qapp.font(), qapp.palette(), qapp.styleSheet(), theme.palette().name
    before = set(qapp.topLevelWidgets())
    yield
    for window in qapp.topLevelWidgets():
        if window not in before and window.parent() is None:
            window.deleteLater()
    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    theme.use(chosen)
    if qapp.styleSheet() != sheet:
        qapp.setStyleSheet(sheet)
    if qapp.palette() != palette:
        qapp.setPalette(palette)
    if qapp.font() != font:
        qapp.setFont(font)


@pytest.fixture(scope="session")
def demo_of(made_once):
    """Return what gives the file of a demonstration store that ends on `TODAY`, with so many years (None: all)."""

    def made(years=None):
        like = {} if years is None else {"years": years}
        return made_once(f"demo-{years}.kilter", lambda path: demo.make(path, today=TODAY, **like))

    return made


@pytest.fixture(scope="module")
def made(request, demo_of):
    """The file with the `DEMO_YEARS` of the module; copied before anything is written."""
    return demo_of(request.module.DEMO_YEARS)


@pytest.fixture
def store(made, tmp_path, qapp):
    """A copy of the module's demonstration store, open."""
    path = tmp_path / "demo.kilter"
    shutil.copy(made, path)
    with Store.open(path, demo=True) as opened:
        yield opened
