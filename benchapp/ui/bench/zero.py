"""Taking zero outside a run: asked for by a key, told by the views that follow."""

from __future__ import annotations

from benchapp.session.port import BenchPort
from benchapp.session.view import BenchView


class ZeroTaker:
    """Asks the bench for a zero, and says once that it is taken.

    Args:
        bench: The live bench.
    """

    def __init__(self, bench: BenchPort) -> None:
        self._bench = bench
        self._was_measuring = False

    def reset(self) -> None:
        """Forget a zero that was being taken."""
        self._was_measuring = False

    def take(self) -> None:
        """Have zero taken, unless it is being taken."""
        if not self._bench.view().is_zeroing:
            self._bench.zero()
            self._was_measuring = False

    def is_taken(self, view: BenchView) -> bool:
        """Return whether with this view a zero that was being taken has come out well; asked with every frame."""
        was, self._was_measuring = self._was_measuring, view.is_zeroing
        return was and not view.is_zeroing and not view.zero_problem
