"""Print the Debian/Ubuntu packages whose shared libraries the installed Qt misses; nothing when all are there.

Run by `packaging/prepare` with the environment's own Python; the arguments name platform plugins (xcb, offscreen).
"""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

MODULES = ("Core", "Gui", "Widgets", "DBus", "Network", "Svg", "OpenGL", "PrintSupport", "Multimedia", "Pdf")
PACKAGES = {
    "libEGL.so.1": "libegl1",
    "libGL.so.1": "libgl1",
    "libGLX.so.0": "libglx0",
    "libOpenGL.so.0": "libopengl0",
    "libX11.so.6": "libx11-6",
    "libX11-xcb.so.1": "libx11-xcb1",
    "libXext.so.6": "libxext6",
    "libXrandr.so.2": "libxrandr2",
    "libbrotlicommon.so.1": "libbrotli1",
    "libbrotlidec.so.1": "libbrotli1",
    "libdbus-1.so.3": "libdbus-1-3",
    "libdrm.so.2": "libdrm2",
    "libfontconfig.so.1": "libfontconfig1",
    "libfreetype.so.6": "libfreetype6",
    "libglib-2.0.so.0": "libglib2.0-0",
    "libgthread-2.0.so.0": "libglib2.0-0",
    "libgssapi_krb5.so.2": "libgssapi-krb5-2",
    "libnspr4.so": "libnspr4",
    "libnss3.so": "libnss3",
    "libnssutil3.so": "libnss3",
    "libpulse.so.0": "libpulse0",
    "libva.so.2": "libva2",
    "libva-drm.so.2": "libva-drm2",
    "libva-x11.so.2": "libva-x11-2",
    "libxcb.so.1": "libxcb1",
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-glx.so.0": "libxcb-glx0",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-image.so.0": "libxcb-image0",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-randr.so.0": "libxcb-randr0",
    "libxcb-render.so.0": "libxcb-render0",
    "libxcb-render-util.so.0": "libxcb-render-util0",
    "libxcb-shape.so.0": "libxcb-shape0",
    "libxcb-shm.so.0": "libxcb-shm0",
    "libxcb-sync.so.1": "libxcb-sync1",
    "libxcb-util.so.1": "libxcb-util1",
    "libxcb-xfixes.so.0": "libxcb-xfixes0",
    "libxcb-xkb.so.1": "libxcb-xkb1",
    "libxkbcommon.so.0": "libxkbcommon0",
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
    "libz.so.1": "zlib1g",
}


def missing_libraries(files: list[Path]) -> set[str]:
    """Return the names that the dynamic linker does not find for `files`."""
    missing: set[str] = set()
    for file in files:
        told = subprocess.run(["ldd", str(file)], capture_output=True, text=True, check=False).stdout
        missing.update(re.findall(r"^\s*(\S+) => not found", told, flags=re.MULTILINE))
    return missing


def has_font() -> bool:
    """True when at least one TrueType or OpenType font lies where Qt looks."""
    folders = [
        Path("/usr/share/fonts"),
        Path("/usr/local/share/fonts"),
        Path.home() / ".fonts",
        Path.home() / ".local/share/fonts",
    ]
    return any(True for folder in folders if folder.is_dir() for _ in folder.rglob("*.[to]tf"))


def main() -> int:
    """Look, print, and fail only when PySide6 itself is not there."""
    spec = importlib.util.find_spec("PySide6")
    if spec is None or spec.origin is None:
        sys.stderr.write("PySide6 is not installed in this environment\n")
        return 1
    qt = Path(spec.origin).parent / "Qt"
    files = [qt / "lib" / f"libQt6{name}.so.6" for name in MODULES]
    files += [qt / "plugins" / "platforms" / f"libq{name}.so" for name in sys.argv[1:]]
    missing = missing_libraries([file for file in files if file.exists()])
    unknown = sorted(missing - PACKAGES.keys())
    if unknown:
        sys.stderr.write(f"Qt misses {', '.join(unknown)}; which package holds them here is not known to this script\n")
        return 1
    packages = {PACKAGES[name] for name in missing}
    if not has_font():
        packages.add("fonts-dejavu-core")
    sys.stdout.write(" ".join(sorted(packages)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
