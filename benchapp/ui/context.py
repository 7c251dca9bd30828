"""What every page is given: the store, the live bench, and the choices that hold for the whole window."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal

from benchapp.torque.units import NM, SHOWN_UNITS

if TYPE_CHECKING:
    from benchapp.records import Store
    from benchapp.session.port import BenchPort


class AppContext(QObject):
    """Shared by all pages; lives on the window's thread.

    Attributes:
        bench: The live bench.
        is_demo: Simulated or replayed data: the demo store, marked on every page.
        operator: Who pulls; empty until chosen.
    """

    store_ready = Signal()  # `store` is there (it comes after the first paint, SQLAlchemy is slow to import)
    store_changed = Signal(str)  # what changed: "tools", "references", "people", "runs"
    unit_changed = Signal(str)  # the unit all pages show from now on
    theme_changed = Signal()
    tool_wanted = Signal(str)  # a tool's number was scanned or chosen for verification: the Bench takes it up
    page_wanted = Signal(str, str)  # go to a page ("rack", "logbook", …), with the key of what to open there
    message = Signal(str, str)  # (kind "note" or "problem", one sentence) for the strip at the foot of the window

    def __init__(self, bench: BenchPort, *, is_demo: bool, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.bench = bench
        self.is_demo = is_demo
        self.operator = ""
        self._store: Store | None = None
        self._unit = NM

    @property
    def store(self) -> Store | None:
        """The store; None until `store_ready`."""
        return self._store

    def give_store(self, store: Store) -> None:
        """Hand in the opened store."""
        self._store = store
        self.store_ready.emit()

    @property
    def unit(self) -> str:
        """The unit in which torque is shown."""
        return self._unit

    def show_unit(self, unit: str) -> None:
        """Show torque in `unit`, one of `SHOWN_UNITS`, from now on. Stored values are not touched."""
        if unit not in SHOWN_UNITS:
            raise ValueError(f"{unit} is none of {', '.join(SHOWN_UNITS)}")
        if unit != self._unit:
            self._unit = unit
            self.unit_changed.emit(unit)
