"""A stored run through the Bench once more: same road, same readings, held still, stepped, at another speed."""

from __future__ import annotations

import math

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from benchapp.pulls import Mode, read_pulls
from benchapp.runs.model import RunState
from benchapp.torque.trace import joined
from benchapp.torque.trace_files import read_trace
from drivers.samples import Source


def click(button) -> None:
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)


def test_a_stored_run_is_replayed_on_the_bench_held_still_stepped_sped_up_and_left_again(
    open_kilter, tmp_path, monkeypatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    technician = open_kilter()
    kilter = technician.kilter
    port = technician.view.link.url
    technician.start("OCF-005", "Workshop spot check", target="60")
    technician.walk_on(RunState.VERDICT)
    technician.key()
    technician.wait(lambda: technician.view.state is RunState.SEALED, "the seal")
    run = technician.view.run
    kilter.session.dismiss()
    technician.wait(lambda: technician.view.run is None, "the bench to be free")
    kilter.context.page_wanted.emit("logbook", run.run_id)
    logbook = kilter.window._built["logbook"]
    view = logbook.run_view
    technician.wait(lambda: view.run is not None and view.run.run_id == run.run_id, "the run in the logbook")
    view.sections.choose("curves")
    view.which.setCurrentIndex(view.which.findText("all pulls"))
    assert view.replay.isVisible()
    click(view.replay)

    technician.wait(lambda: technician.view.link.url.startswith("replay:"), "the replay to be opened")
    assert not technician.view.link.reason
    technician.wait(lambda: technician.view.source is Source.REPLAYED, "replayed samples")
    assert kilter.window.page == "bench"
    technician.wait(lambda: "REPLAYED" in kilter.window.mark.text, "the mark of a replay")
    bar = kilter.window.replay
    assert bar.isVisible()
    assert not kilter.window.hand.isVisible()
    assert kilter.window.bench.plot.isVisible()

    click(bar.pause)
    technician.wait(lambda: technician.view.replay.is_paused, "the recording to be held")
    QTest.qWait(100)
    still_s = kilter.session.live()[0]
    QTest.qWait(300)
    assert kilter.session.live()[0] == still_s
    click(bar.step)
    technician.wait(lambda: kilter.session.live()[0] > still_s, "a step")
    assert kilter.session.live()[0] < still_s + 0.1

    bar.set_speed(20.0)
    click(bar.pause)
    technician.wait(lambda: technician.view.replay.is_over, "the end of the recording", limit_s=30.0)
    stored = joined([kilter.store.trace(run.run_id, pull.number) for pull in run.pulls])
    assert technician.view.replay.speed == 20.0

    # the whole recording came by, and what is read of it is what was read then: same zero, same correction
    assert technician.view.link.n_lines == len(stored)
    assert technician.view.link.n_refused == 0
    _, t_s, torque_nm = kilter.session.samples_since(0)
    again = read_pulls(t_s[-len(stored) :], torque_nm[-len(stored) :], mode=Mode.FIRST_PEAK, capacity=250.0).pulls
    # an estimate of the peak leans on the noise measured before it, and of that a stored pull keeps half a second
    assert [p.reading for p in again] == pytest.approx([p.pull.reading for p in run.pulls], rel=1e-3)

    click(bar.run)  # a run can be made of it, for the demonstration records
    technician.wait(lambda: kilter.window.bench.start.isVisible(), "the start panel")

    click(bar.back)
    technician.wait(lambda: technician.view.link.url == port, "the port again")
    technician.wait(lambda: technician.view.source is Source.SIMULATED, "simulated samples")
    technician.wait(lambda: not bar.isVisible(), "the bar to go")
    assert kilter.window.hand.isVisible()
    (path,) = (tmp_path / "cache").rglob("*.csv")
    assert len(read_trace(path)) == len(stored)
    assert not math.isnan(kilter.session.live()[1])
