"""What the torque does while nobody pulls: rest level and noise in force, and how far from them a pull begins."""

from __future__ import annotations

from benchapp.pulls._still import Stillness


class Resting:
    """Follows the rest level and the noise from stretch to stretch.

    Attributes:
        level: Rest level in force; None before the first look.
        noise: Standard deviation at rest, the median of the last twelve stretches; 0 before the first.
        threshold: A pull begins further from the rest level than this.
    """

    def __init__(self, times: float, least: float) -> None:
        """`times` the noise is the threshold, `least` at least."""
        self.level: float | None = None
        self.noise = 0.0
        self._noises: list[float] = []
        self.set_limits(times, least)

    def set_limits(self, times: float, least: float) -> None:
        """Change what the threshold is told by."""
        self._times, self._least = times, least
        self.threshold = max(times * self.noise, least)

    def follow(self, still: Stillness) -> None:
        """Take a stretch without a pull for the rest level, unless it moves."""
        # a hand already on the tool lifts the end of the stretch: that is no rest level
        if abs(still.moved) <= max(0.05 * self.threshold, self.noise):
            self.level = still.level
            self.learn_noise(still.noise)

    def follow_all(self, stretches: list[Stillness], highest: float, lowest: float) -> bool:
        """Follow stretches one after the other, at once; False, and nothing done, where one could tell about the next.

        None does while the noise is too low to move the threshold, and no level moves far from what was reached in
        these stretches.
        """
        levels, moved, noises = zip(*stretches, strict=True)
        if self.level is None or self._times * max(max(self._noises, default=0.0), *noises) > self._least:
            return False
        rests = (self.level, *levels)
        if highest - min(rests) > self._least or max(rests) - lowest > self._least:
            return False
        if max(max(moved), -min(moved)) > 0.05 * self._least:
            return False
        self.level = levels[-1]
        self._noises += noises[:-1]
        self.learn_noise(noises[-1])
        return True

    def learn_noise(self, noise: float) -> None:
        """Count the noise of one more stretch."""
        self._noises.append(noise)
        del self._noises[:-12]
        ordered = sorted(self._noises)
        n = len(ordered)
        self.noise = 0.5 * (ordered[(n - 1) // 2] + ordered[n // 2])
        self.threshold = max(self._times * self.noise, self._least)
