"""Make the pictures of the README: a real window, the simulated bench, one full run, light and dark.

xvfb-run -s "-screen 0 1920x1080x24" .venv/bin/python packaging/screenshots.py assets/screenshots [WIDTH HEIGHT]
"""

from __future__ import annotations

import json
import socket
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchapp.cli.window import Application
from benchapp.runs.model import RunState
from benchapp.session.view import Phase
from benchapp.ui.bench.start import StartPanel
from benchapp.ui.theme import palette as theme_palette

PAGES = (
    ("rack", "rack", ""),
    ("rack-due", "rack", "view:due"),
    ("rack-jobs", "rack", "view:jobs"),
    ("rack-work-list", "rack", "view:work"),
    ("rack-fleet", "rack", "view:fleet"),
    ("tool-over-the-years", "rack", "view:life:OCF-015"),
    ("references", "references", ""),
    ("daily-check", "references", "REF-1:check"),
    ("logbook", "logbook", ""),
    ("practice", "practice", ""),
)
"""(picture, page, what to open there)."""


def wait(true: Callable[[], bool], limit_s: float = 30.0) -> None:
    """Turn the event loop until `true()`."""
    deadline = time.monotonic() + limit_s
    while not true():
        if time.monotonic() > deadline:
            raise TimeoutError(f"nothing came of {true} in {limit_s} s")
        QTest.qWait(15)


def pictures(folder: Path, theme: str, width: int, height: int) -> None:
    """Drive one run and save what is seen."""
    with tempfile.TemporaryDirectory() as place:
        kilter = Application(
            simulated=True, settings_path=Path(place) / "s.json", store_file=Path(place) / "demo.sqlite"
        )
        window, session = kilter.window, kilter.session
        if theme_palette().name != theme:
            window.toggle_light()
        window.resize(width, height)
        window.show()
        QTest.qWait(200)
        kilter.after_first_paint()
        window.sounds.problem = ""  # a workshop has a loudspeaker, whatever the machine of the pictures has
        window.toggle_sound()
        window.toggle_sound()
        while kilter.store is None:  # the demonstration workshop is being made
            QTest.qWait(50)

        def save(name: str) -> None:
            QTest.qWait(120)
            window.grab().save(str(folder / f"{name}-{theme}.png"))

        def key() -> None:
            wait(lambda: window.bench.look.is_enough)  # what has only just come up takes no answer
            QTest.keyClick(QApplication.focusWidget() or window, Qt.Key.Key_Space)
            QTest.qWait(250)

        for name, page, what in PAGES:
            kilter.context.page_wanted.emit(page, what)
            QTest.qWait(900)
            save(name)
        kilter.context.page_wanted.emit("bench", "")
        assert kilter.simulator is not None
        host, port = kilter.simulator.control.rsplit(":", 1)
        with socket.create_connection((host, int(port))) as channel:

            def ask(**request: object) -> None:
                channel.sendall(json.dumps(request).encode() + b"\n")

            (panel,) = window.findChildren(StartPanel)
            save("bench-start")
            panel.tool_card.number.setText("OCF-005")
            QTest.keyClick(panel.tool_card.number, Qt.Key.Key_Return)
            QTest.keyClicks(panel.run_card.operator, "fitter 2")
            wait(panel.foot.go.isEnabled)
            QTest.mouseClick(panel.foot.go, Qt.MouseButton.LeftButton)
            wait(lambda: session.view().state is not None)
            n_pulls = 0
            while (state := session.view().state) is not RunState.VERDICT:
                if state is RunState.CAUTIONS:
                    save("bench-cautions")
                if state in (RunState.PRELOAD, RunState.PULL):
                    n_pulls += state is RunState.PULL
                    ask(do="error", percent=5.5 if n_pulls >= 7 else 0.5)
                    ask(do="pull", manner="steady")
                    if state is RunState.PULL and n_pulls == 2:
                        target = session.view().target_nm or 1.0
                        wait(lambda t=target: session.live()[1] > 0.88 * t)
                        window.grab().save(str(folder / f"bench-rise-{theme}.png"))
                        wait(lambda: session.view().phase is Phase.RELEASED)
                        QTest.qWait(60)
                        window.grab().save(str(folder / f"bench-capture-{theme}.png"))
                    else:
                        wait(lambda: session.view().phase is Phase.RISING)
                    wait(lambda: session.view().phase is Phase.REST)
                    QTest.qWait(250)
                    if n_pulls == 7:
                        window.grab().save(str(folder / f"bench-high-{theme}.png"))
                else:
                    key()
            save("bench-verdict")
            key()
            wait(lambda: session.view().state is RunState.SEALED)
            run = session.view().run
            assert run is not None
            kilter.context.page_wanted.emit("logbook", run.run_id)
            QTest.qWait(900)
            save("logbook-run")
        window.close()
        kilter.close()
        window.deleteLater()
        QTest.qWait(50)


def main() -> None:
    """Make them all."""
    folder = Path(sys.argv[1])
    width, height = (int(sys.argv[2]), int(sys.argv[3])) if len(sys.argv) > 3 else (1366, 768)
    folder.mkdir(parents=True, exist_ok=True)
    application = QApplication([])
    for theme in ("light", "dark"):
        pictures(folder, theme, width, height)
    del application


if __name__ == "__main__":
    main()
