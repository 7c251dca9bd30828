"""The menus of the foot bar: the unit, who pulls, and what else the window can do."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Qt
from PySide6.QtGui import QAction
from PySide6.QtWidgets import QLineEdit, QMenu, QWidget, QWidgetAction

from benchapp.torque.units import SHOWN_UNITS
from benchapp.ui import capture

if TYPE_CHECKING:
    from benchapp.ui.shell import MainWindow


def _without_checked(do: Callable[[], object], _checked: bool = False) -> None:
    """Call `do`; a menu's action says whether it is checked, which these are not asked."""
    do()


class FootMenus(QObject):
    """Opens each menu above its button.

    Args:
        window: Whose foot bar; what the menus offer is done there.
    """

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self.window = window
        window.foot.unit.clicked.connect(self._units)
        window.foot.operator.clicked.connect(self._people)
        window.foot.more.clicked.connect(self._more)

    def _units(self) -> None:
        menu = QMenu(self.window)
        for unit in SHOWN_UNITS:
            action = menu.addAction(unit)
            action.setCheckable(True)
            action.setChecked(unit == self.window.context.unit)
            action.setData(unit)
        menu.triggered.connect(self._unit_picked)
        self._pop(menu, self.window.foot.unit)

    def _unit_picked(self, action: QAction) -> None:
        self.window.context.show_unit(str(action.data()))

    def _people(self) -> None:
        menu = QMenu(self.window)
        for name in self.operators():
            action = menu.addAction(name)
            action.setData(name)
        menu.addSeparator()
        field = QLineEdit(menu)
        field.setPlaceholderText("another name, Enter")
        field.setMinimumWidth(field.fontMetrics().horizontalAdvance("another name, Enter") + 40)
        holder = QWidgetAction(menu)
        holder.setDefaultWidget(field)
        menu.addAction(holder)

        def typed() -> None:
            self.window.set_operator(field.text())
            menu.close()

        field.returnPressed.connect(typed)
        menu.triggered.connect(self._operator_picked)
        self._pop(menu, self.window.foot.operator)
        field.setFocus()

    def operators(self) -> list[str]:
        """Who pulled here lately, then the people of the records; who was deactivated is not offered."""
        names = list(self.window.settings.get("operators"))
        store = self.window.context.store
        if store is None:
            return names
        people = store.people(include_inactive=True)
        gone = {person.name for person in people if not person.active}
        return [name for name in dict.fromkeys((*names, *(each.name for each in people))) if name not in gone]

    def _operator_picked(self, action: QAction) -> None:
        if action.data():
            self.window.set_operator(str(action.data()))

    def _more(self) -> None:
        menu = QMenu(self.window)
        go, aside = self.window.bench.key_names
        menu.addAction(f"Teach the key that goes on (now {go}) …").triggered.connect(
            partial(_without_checked, partial(self.window.teacher.learn, "go"))
        )
        menu.addAction(f"Teach the key that sets aside (now {aside}) …").triggered.connect(
            partial(_without_checked, partial(self.window.teacher.learn, "aside"))
        )
        menu.addAction("Keys as delivered").triggered.connect(self.window.keys.forget)
        menu.addSeparator()
        curves = menu.addAction("Curves of the run under way …")
        curves.setEnabled(
            self.window.context.store is not None and bool(getattr(self.window.context.bench.view().run, "pulls", ()))
        )
        curves.triggered.connect(self.window.show_curves)
        zero = menu.addAction("Take zero now")
        zero.setEnabled(not self.window.bench.is_running)
        zero.triggered.connect(self.window.context.bench.zero)
        recording = self.window.capture
        menu.addAction(capture.END if recording.is_running else capture.BEGIN).triggered.connect(
            partial(_without_checked, recording.toggle)
        )
        menu.addSeparator()
        for text, do in self.window.more_actions:
            menu.addAction(text).triggered.connect(partial(_without_checked, do))
        if self.window.more_actions:
            menu.addSeparator()
        menu.addAction("Full screen  (F11)").triggered.connect(self.window.toggle_full_screen)
        menu.addAction("Close Kilter  (Ctrl+Q)").triggered.connect(self.window.close)
        self._pop(menu, self.window.foot.more)

    def _pop(self, menu: QMenu, under: QWidget) -> None:
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        menu.adjustSize()
        corner = under.mapToGlobal(under.rect().topRight())
        corner.setX(corner.x() - menu.sizeHint().width())
        corner.setY(corner.y() - menu.sizeHint().height())
        menu.popup(corner)
