"""What every page is given: the store, the live bench, and the choices that hold for the whole window."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from PySide6.QtCore import QObject, Signal

from benchapp.torque.units import NM, SHOWN_UNITS

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchapp.metrology.reference import Reference
    from benchapp.metrology.tool import Tool
    from benchapp.records import Store
    from benchapp.records.custodian import Lock
    from benchapp.session.port import BenchPort
    from benchapp.torque.direction import Direction


WHO_FIRST: Final = (
    "Who are you? Choose or type your name at the foot of the window, then do it again: the records name who did it."
)


class AppContext(QObject):
    """Shared by all pages; lives on the window's thread.

    Attributes:
        bench: The live bench.
        is_demo: Simulated or replayed data: the demo store, marked on every page.
        operator: Who pulls; empty until chosen.
        lock: The custodian's lock; None until the store is there.
        practising: (tool, torque it is set to or aimed at in N·m, direction, reference) of a practice; None without
            one. The simulated hand follows it.
    """

    store_ready = Signal()  # `store` is there (it comes after the first paint, SQLAlchemy is slow to import)
    store_changed = Signal(str)  # what changed: "tools", "references", "people", "runs"
    unit_changed = Signal(str)  # the unit all pages show from now on
    theme_changed = Signal()
    operator_changed = Signal(str)  # who pulls from now on
    tool_wanted = Signal(str)  # a tool's number was scanned or chosen for verification: the Bench takes it up
    page_wanted = Signal(str, str)  # go to a page ("rack", "logbook", …), with the key of what to open there
    custodian_changed = Signal(str)  # who has the lock open; "" when it closed
    custodian_wanted = Signal(str, object)  # (what for, what to do with the custodian's name once the lock is open)
    passphrase_wanted = Signal()  # the custodian wants another passphrase
    demonstration_wanted = Signal(str)  # a recording (`replay:` URL) is to be opened in the demonstration, beside this
    message = Signal(
        str, str
    )  # (kind, one sentence) for the strip at the foot: "note", "problem", "over" takes it back

    def __init__(self, bench: BenchPort, *, is_demo: bool, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.bench = bench
        self.is_demo = is_demo
        self.operator = ""
        self.lock: Lock | None = None
        self.practising: tuple[Tool, float, Direction, Reference | None] | None = None
        self._store: Store | None = None
        self._unit = NM

    @property
    def store(self) -> Store | None:
        """The store; None until `store_ready`."""
        return self._store

    def give_store(self, store: Store) -> None:
        """Hand in the opened store; its custodian's lock is closed."""
        from benchapp.records.custodian import Lock  # comes with the store, after the first paint

        self._store = store
        self.lock = Lock(store)
        self.store_ready.emit()

    def as_custodian(self, what_for: str, do: Callable[[str], object]) -> None:
        """Run `do(name of the custodian)`: at once while the lock is open, else after the passphrase was given.

        Nothing happens when the person turns away. `what_for` is said in the dialog: "to void run …".
        """
        name = self.lock.custodian() if self.lock is not None else ""
        if name:
            do(name)
        else:
            self.custodian_wanted.emit(what_for, do)

    def named(self) -> str:
        """Return who is at the window, for an entry of the records; "" after it was said where to name oneself."""
        if not self.operator:
            self.message.emit("problem", WHO_FIRST)
        return self.operator

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
