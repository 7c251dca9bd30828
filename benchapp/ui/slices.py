"""Long work of the window's thread, in slices: the window goes on living in between, and the work can be stopped."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Final

from PySide6.QtCore import QObject, QTimer, Signal

FIRST_S: Final = 0.1
"""What is done within this time is done at once: short work is over when `begin` returns."""

SLICE_S: Final = 0.015


class Slices(QObject):
    """Goes through an iterator bit by bit. `moved` tells what it has yielded last, `ended` that nothing runs any more.

    All of it happens on the thread that made it.
    """

    moved = Signal(object)
    ended = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._work: Iterator[object] | None = None
        self._done: Callable[[], object] | None = None
        self._failed: Callable[[Exception], object] | None = None
        self._may_raise: tuple[type[Exception], ...] = ()
        self._timer = QTimer(self)
        self._timer.setInterval(0)
        self._timer.timeout.connect(self._slice)

    @property
    def is_busy(self) -> bool:
        """Something is under way."""
        return self._work is not None

    def begin(
        self,
        work: Iterator[object],
        done: Callable[[], object],
        failed: Callable[[Exception], object],
        may_raise: tuple[type[Exception], ...],
    ) -> None:
        """Begin with `work`; what was under way is stopped.

        Args:
            work: Gone through to its end; a generator is closed when it is stopped.
            done: Called after its end.
            failed: Called with what it raised instead.
            may_raise: What is meant by that; anything else is a fault of the program and goes its way.
        """
        self.stop()
        self._work, self._done, self._failed, self._may_raise = work, done, failed, may_raise
        self._go(FIRST_S)
        if self._work is not None:
            self._timer.start()

    def stop(self) -> None:
        """Stop what is under way; may be called again."""
        work, self._work = self._work, None
        self._timer.stop()
        if work is not None:
            close = getattr(work, "close", None)
            if callable(close):
                close()
            self.ended.emit()

    def _slice(self) -> None:
        self._go(SLICE_S)

    def _go(self, seconds: float) -> None:
        until = time.perf_counter() + seconds
        last: object = None
        while self._work is not None:
            try:
                last = next(self._work)
            except StopIteration:
                self._end()
                if self._done is not None:
                    self._done()
                return
            except self._may_raise as problem:
                self._end()
                if self._failed is not None:
                    self._failed(problem)
                return
            except BaseException:
                self._end()
                raise
            if time.perf_counter() >= until:
                break
        self.moved.emit(last)

    def _end(self) -> None:
        self._work = None
        self._timer.stop()
        self.ended.emit()
