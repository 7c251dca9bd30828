"""Two hundred kills on one store (KILTER_SOAK_KILLS for another number): nothing that was told as stored is lost.

Run:  python -m pytest tests/soak/test_killed.py -s
"""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

import pytest

KILLS = int(os.environ.get("KILTER_SOAK_KILLS", "200"))


@pytest.mark.soak
@pytest.mark.timeout(3600)
@pytest.mark.skipif(not hasattr(os, "fork"), reason="benches are forked and killed as POSIX has it")
def test_two_hundred_kills_lose_no_pull(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("killed", Path(__file__).parents[1] / "whole" / "test_killed.py")
    assert spec is not None
    assert spec.loader is not None
    killed = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(killed)
    found = killed.kill_again_and_again(tmp_path / "demo.sqlite", KILLS, seed=1)
    print(f"\n{found}")
    assert found["kills"] == KILLS
    assert found["acknowledged"] >= KILLS
