"""The dialog of the thermometer in a small window."""

from __future__ import annotations

import pytest
from PySide6.QtWidgets import QLineEdit, QWidget

from benchapp.ui.theme import LIGHT, Sizes, font_of_cap, style_sheet
from benchapp.ui.thermometer import ThermometerDialog


@pytest.mark.parametrize("size", [(683, 384), (1366, 768)])
def test_no_field_is_cut(qapp, qtbot, size):
    """683 × 384 is 1366 × 768 at 200 %."""
    qapp.setStyleSheet(style_sheet(LIGHT))
    qapp.setFont(font_of_cap(Sizes.of(size[1]).small * 1.02))
    window = QWidget()
    qtbot.addWidget(window)
    window.resize(*size)
    window.show()
    dialog = ThermometerDialog([], ["temperature"], ("", "", ""), lambda: "No thermometer is read.", "", window)
    qtbot.addWidget(dialog)
    dialog.setMaximumWidth(round(size[0] * 2 / 3))  # Qt makes no window wider than that of the screen by itself
    dialog.show()
    qtbot.waitExposed(dialog)
    qtbot.wait(50)
    lines = dialog.findChildren(QLineEdit)
    assert len(lines) == 2
    for line in lines:
        assert line.height() >= line.minimumSizeHint().height()
        assert line.parentWidget().height() >= line.geometry().bottom()
    assert dialog.height() <= size[1]
