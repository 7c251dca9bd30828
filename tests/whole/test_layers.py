"""The layers hold, and each contract has been seen to break: one that nobody has broken proves nothing."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

BREACHES = [
    ("One way for the data", "benchapp/torque/units.py", "import benchapp.pulls.pull"),
    ("Below ui nobody knows a transducer but its samples", "benchapp/session/link.py", "import drivers.link"),
    ("Pulls and metrology do not know each other", "benchapp/pulls/events.py", "import benchapp.metrology.tool"),
    ("Simulator and drivers cannot cancel each other's mistakes", "simulator/__init__.py", "import drivers.samples"),
    ("Nothing of the program looks inside the simulator", "benchapp/ui/context.py", "import simulator"),
    ("Drivers and simulator stand alone", "drivers/status.py", "import benchapp"),
    ("Pure folders: no Qt, no serial, no SQL, no clock", "benchapp/runs/model.py", "import time"),
    ("The live bench and its records stand without a window", "benchapp/session/view.py", "import PySide6.QtCore"),
    ("Only the records know SQL, only the drivers a port", "benchapp/ui/context.py", "import sqlite3"),
    ("Reference libraries are for tests only", "benchapp/metrology/tool.py", "import scipy"),
]


def _lint(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [
            sys.executable,
            "-c",
            "from importlinter.cli import lint_imports_command; lint_imports_command()",
            "--no-cache",
        ],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder), "NO_COLOR": "1", "COLUMNS": "200"},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("copy")
    for name in ("benchapp", "drivers", "simulator"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", folder)
    return folder


@pytest.mark.parametrize(("contract", "file", "line"), BREACHES, ids=[name for name, _, _ in BREACHES])
def test_a_forbidden_import_breaks_its_contract(copy: Path, contract: str, file: str, line: str) -> None:
    path = copy / file
    before = path.read_text(encoding="utf-8")
    path.write_text(f"{before}\n{line}\n", encoding="utf-8")
    try:
        told = _lint(copy)
    finally:
        path.write_text(before, encoding="utf-8")
    assert told.returncode == 1, told.stdout + told.stderr
    assert f"{contract} BROKEN" in told.stdout


def test_every_contract_has_a_breach() -> None:
    import tomllib

    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"][
        "contracts"
    ]
    assert {contract["name"] for contract in contracts} == {name for name, _, _ in BREACHES}


def test_pure_folders_load_without_qt_serial_and_sql() -> None:
    program = """
import importlib, pkgutil, sys
class Block:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {"PySide6", "pyqtgraph", "serial", "sqlalchemy", "alembic", "scipy"}:
            raise ModuleNotFoundError(name)
sys.meta_path.insert(0, Block())
pure = ("torque", "pulls", "metrology", "runs", "practice")
for package in (*(f"benchapp.{name}" for name in pure), "drivers.samples", "drivers.status"):
    module = importlib.import_module(package)
    for found in pkgutil.walk_packages(getattr(module, "__path__", []), package + "."):
        importlib.import_module(found.name)
"""
    told = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stderr
