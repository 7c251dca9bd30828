"""Draw every state of the Bench into PNG files, to be looked at:

xvfb-run -s "-screen 0 1920x1080x24" python tests/ui/bench_pictures.py FOLDER [1366x768 …] [light dark] [state …]
"""

from __future__ import annotations

import sys
from pathlib import Path

from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication


def picture(window, port, scene, at_s: float) -> None:
    """Bring the window into `scene` as it stands at `at_s`, by way of the frames before it."""
    view, (t, v), _ = scene
    page = window.bench
    page.plot.columns.clear()
    page.plot.needs_samples = True
    upto = t <= at_s
    port.t, port.v = t[upto], v[upto]
    port.show(view)
    page.plot.rest_scale()
    page._figure_s = -1
    page.tick()
    page._figure_s = -1
    page.tick()


def main() -> int:
    """Make the pictures that the arguments name."""
    import bench_standin as stand  # lies beside this file

    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    rest = sys.argv[2:]
    sizes = [tuple(map(int, a.split("x"))) for a in rest if a[:1].isdigit()] or [(1366, 768)]
    looks = [a for a in rest if a in ("light", "dark")] or ["light", "dark"]
    names = [a for a in rest if not a[:1].isdigit() and a not in ("light", "dark")]
    application = QApplication.instance() or QApplication(sys.argv[:1])
    from PySide6.QtWidgets import QWidget

    from benchapp.ui.bench.start import StartPanel
    from benchapp.ui.context import AppContext
    from benchapp.ui.shell import MainWindow, PageSpec

    for width, height in sizes:
        for look in looks:
            port = stand.StandIn()
            context = AppContext(port, is_demo=True)
            others = [PageSpec(n, lambda _c: QWidget()) for n in ("rack", "references", "logbook", "practice")]
            window = MainWindow(context, others, start_panel=StartPanel)
            window.bench.timer.timeout.disconnect()
            window._dress(look)
            window.resize(width, height)
            window.show()
            window.restyle()
            window.set_operator("fitter 2")
            for name, scene in stand.scenes().items():
                if names and name not in names:
                    continue
                picture(window, port, scene, scene[2])
                window.bench.set_keyboard_here(name != "keyboard")
                window.bench.tick()
                QTest.qWait(120 if name == "empty" else 1)
                window.grab().save(str(folder / f"{name}-{look}-{width}.png"))
                window.bench.set_keyboard_here(True)
            port.show(stand.view(None))
            window.close()
    application.quit()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
