"""Sounds of the Bench: click heard, pull closed, something noticed, overload. Off the start path, never in the way."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import TYPE_CHECKING, Final

from PySide6.QtCore import QObject, QUrl

if TYPE_CHECKING:
    from PySide6.QtMultimedia import QSoundEffect

log = logging.getLogger(__name__)

NAMES: Final = ("click", "closed", "flagged", "overload", "wrong")


def assets_folder() -> Path:
    """Return the folder with sounds and icons: it is part of the package, so that every installation has it."""
    return Path(__file__).parent / "assets"


class Sounds(QObject):
    """Plays by name; without a sound device it does nothing and says why in `problem`."""

    def __init__(self, parent: QObject | None = None, folder: Path | None = None) -> None:
        super().__init__(parent)
        self.folder = folder if folder is not None else assets_folder() / "sounds"
        self.muted = False
        self.problem = ""
        self.played: list[str] = []  # the last few names asked for, heard or not
        self._effects: dict[str, QSoundEffect] = {}
        self._loaded = False

    def load(self) -> None:
        """Load QtMultimedia and the files; call it after the first paint."""
        if self._loaded:
            return
        self._loaded = True
        try:
            from PySide6.QtMultimedia import QMediaDevices, QSoundEffect

            if QMediaDevices.defaultAudioOutput().isNull():
                self.problem = "no sound device"
                return
            for name in NAMES:
                file = self.folder / f"{name}.wav"
                if not file.exists():
                    self.problem = f"{file} is missing"
                    continue
                effect = QSoundEffect(self)
                effect.setSource(QUrl.fromLocalFile(str(file)))
                self._effects[name] = effect
        except (ImportError, RuntimeError, OSError) as error:
            self.problem = str(error)
            log.warning("no sounds: %s", error)

    def play(self, name: str) -> None:
        """Play `name` at once, unless muted. A sound that cannot be played is left out."""
        self.played = [*self.played[-31:], name]
        if self.muted:
            return
        self.load()
        effect = self._effects.get(name)
        if effect is not None:
            effect.play()

    def stop(self) -> None:
        """Silence everything and let go of the sound device."""
        for effect in self._effects.values():
            effect.stop()
            effect.deleteLater()
        self._effects = {}
        self._loaded = True
