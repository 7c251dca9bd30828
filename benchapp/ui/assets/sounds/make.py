"""Make the sounds of the Bench.

    python benchapp/ui/assets/sounds/make.py

Each is a few sine partials with a soft start and end, 16 bit, 44.1 kHz, one channel; the same bytes every time.
They differ in height, length and rhythm, so that they can be told apart over a workshop's noise and by people who hear
only part of the range.
"""

from __future__ import annotations

import math
import struct
import wave
from pathlib import Path

RATE = 44_100
HERE = Path(__file__).parent

# name: notes as (start s, length s, hertz, loudness 0..1, hertz at the end)
SOUNDS = {
    "click": [(0.00, 0.055, 1760.0, 0.85, 1760.0)],  # heard while the tool lets go: short and high
    "closed": [(0.00, 0.14, 659.3, 0.55, 659.3), (0.11, 0.26, 987.8, 0.55, 987.8)],  # stored: two notes up
    "flagged": [
        (0.00, 0.20, 523.3, 0.60, 523.3),
        (0.17, 0.34, 392.0, 0.60, 380.0),
    ],  # something noticed: two notes down
    "wrong": [(0.00, 0.10, 196.0, 0.70, 196.0), (0.14, 0.14, 185.0, 0.70, 185.0)],  # a key that does nothing here
    "overload": [
        (i * 0.22, 0.19, 880.0 if i % 2 == 0 else 622.3, 0.90, 880.0 if i % 2 == 0 else 622.3) for i in range(4)
    ],
}


def sound(notes: list[tuple[float, float, float, float, float]]) -> bytes:
    """Return the samples of `notes`."""
    n = int(RATE * (max(start + length for start, length, *_ in notes) + 0.02))
    samples = [0.0] * n
    for start, length, first_hz, loud, last_hz in notes:
        first = int(start * RATE)
        count = int(length * RATE)
        phase = 0.0
        for i in range(count):
            share = i / count
            hertz = first_hz + (last_hz - first_hz) * share
            phase += 2 * math.pi * hertz / RATE
            rise = min(1.0, i / (0.004 * RATE))
            fall = min(1.0, (count - i) / (0.03 * RATE if length > 0.08 else 0.02 * RATE))
            tone = math.sin(phase) + 0.28 * math.sin(2 * phase) + 0.12 * math.sin(3 * phase)
            samples[first + i] += loud * rise * fall * math.exp(-1.6 * share) * tone / 1.4
    return b"".join(struct.pack("<h", round(max(-1.0, min(1.0, v)) * 32_000)) for v in samples)


def main() -> None:
    """Write one WAV file a sound."""
    for name, notes in SOUNDS.items():
        with wave.open(str(HERE / f"{name}.wav"), "wb") as out:
            out.setnchannels(1)
            out.setsampwidth(2)
            out.setframerate(RATE)
            out.writeframes(sound(notes))


if __name__ == "__main__":
    main()
