"""Goals 13 and 14: from the command to the first paint, in fresh processes taken in turn.

Yardsticks in the same minute: a bare `QMainWindow`, and a `QMainWindow` with an empty `PlotWidget`. CPU time of the
children and their own word for "painted"; the window here is the real shell with Bench, the composition's imports
aside (no store is opened before the first paint).
Run:  xvfb-run -s "-screen 0 1600x900x24" python -m pytest tests/bench/test_start.py -s
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
from pathlib import Path

ROUNDS = 7
ROOT = Path(__file__).parents[2]

TAIL = """
painted = []
class Painted(QtCore.QObject):
    def eventFilter(self, watched, event):
        if event.type() == QtCore.QEvent.Type.Paint and not painted:
            painted.append(1)
            QtCore.QTimer.singleShot(0, app.quit)
        return False
filter = Painted()
app.installEventFilter(filter)
window.resize(1366, 768)
window.show()
app.exec()
cpu = time.process_time()
rss = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
heavy = [m for m in ("scipy", "sqlalchemy", "alembic", "pint", "pyqtgraph", "openpyxl") if m in sys.modules]
print(json.dumps({"cpu_ms": cpu * 1e3, "rss_mb": rss, "heavy": heavy}), flush=True)
os._exit(0)
"""
HEAD = "import json, os, resource, sys, time\nfrom PySide6 import QtCore, QtWidgets\napp = QtWidgets.QApplication([])\n"
CANDIDATES = {
    "bare": HEAD + "window = QtWidgets.QMainWindow()\n" + TAIL,
    "library": HEAD
    + """
import pyqtgraph as pg
window = QtWidgets.QMainWindow()
window.setCentralWidget(pg.PlotWidget())
"""
    + TAIL,
    "kilter": HEAD
    + """
import importlib.util
spec = importlib.util.spec_from_file_location("bench_standin", sys.argv[1])
stand = importlib.util.module_from_spec(spec); sys.modules["bench_standin"] = stand; spec.loader.exec_module(stand)
from benchapp.ui.context import AppContext
from benchapp.ui.shell import MainWindow
from benchapp.ui.bench.start import StartPanel
port = stand.StandIn()
window = MainWindow(AppContext(port, is_demo=False), start_panel=StartPanel)
"""
    + TAIL,
}


def one(name: str, byte_code: Path) -> dict:
    """Start one; all of them from byte code, as installed programs do, even where Python is told to write none."""
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": path}
    environment |= {"PYTHONPYCACHEPREFIX": str(byte_code), "PYTHONDONTWRITEBYTECODE": ""}
    out = subprocess.run(
        [sys.executable, "-c", CANDIDATES[name], str(ROOT / "tests" / "ui" / "bench_standin.py")],
        capture_output=True,
        text=True,
        env=environment,
        timeout=60,
        check=False,
    )
    assert out.returncode == 0, out.stderr[-2000:]
    return json.loads(out.stdout.splitlines()[-1])


def test_first_paint(tmp_path):
    for name in CANDIDATES:
        one(name, tmp_path)  # warm file cache, byte code written
    found: dict[str, list[dict]] = {name: [] for name in CANDIDATES}
    for _ in range(ROUNDS):
        for name in CANDIDATES:
            found[name].append(one(name, tmp_path))
    cpu = {name: [r["cpu_ms"] for r in rows] for name, rows in found.items()}
    rss = {name: statistics.median(r["rss_mb"] for r in rows) for name, rows in found.items()}
    ratios = {
        name: statistics.median(a / b for a, b in zip(cpu["kilter"], cpu[name], strict=True))
        for name in ("bare", "library")
    }
    for name, values in cpu.items():
        print(f"\n{name}: {statistics.median(values):.0f} ms CPU to the first paint, {rss[name]:.0f} MB", end="")
    print(
        f"\nkilter / QMainWindow + PlotWidget {ratios['library']:.2f}, / bare QMainWindow {ratios['bare']:.2f}, "
        f"memory / QMainWindow + PlotWidget {rss['kilter'] / rss['library']:.2f}"
    )
    heavy = found["kilter"][0]["heavy"]
    assert not set(heavy) & {"scipy", "sqlalchemy", "alembic", "pint", "openpyxl"}, heavy
    assert ratios["library"] <= 1.15
    assert rss["kilter"] / rss["library"] <= 1.15
