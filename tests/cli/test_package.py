"""What an installation with pip holds: every file that the program opens lies in a package, and is packed."""

import fnmatch
import tomllib
from pathlib import Path

import benchapp
from benchapp.ui.sounds import assets_folder

ROOT = Path(__file__).parents[2]
PACKAGES = ("benchapp", "drivers", "simulator")


def test_every_file_of_a_package_is_packed():
    tool = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    packed = ["*.py", *tool["package-data"]["*"]]
    files = [path for package in PACKAGES for path in (ROOT / package).rglob("*") if path.is_file()]
    left_out = [
        path
        for path in files
        if "__pycache__" not in path.parts and not any(fnmatch.fnmatch(path.name, pattern) for pattern in packed)
    ]
    assert len(files) > 200
    assert left_out == []


def test_sounds_and_icon_lie_in_the_package():
    assert assets_folder().is_relative_to(Path(benchapp.__file__).parent)
    assert (assets_folder() / "icons" / "kilter.svg").is_file()
    assert (assets_folder() / "sounds" / "click.wav").is_file()
