"""A stored run through the Bench once more: same road, same readings, held still, stepped, at another speed."""

from __future__ import annotations

import math
import sys
import time

import pytest
from PySide6.QtCore import QProcess, Qt
from PySide6.QtTest import QTest

from benchapp.cli.main import main, parser
from benchapp.cli.window import Application
from benchapp.pulls import Mode, read_pulls
from benchapp.runs.model import RunState
from benchapp.torque.trace import joined
from benchapp.torque.trace_files import read_trace
from benchapp.ui import carewords
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

    def stands_still() -> bool:  # what was on its way when it was held may still come
        at_s = kilter.session.live()[0]
        QTest.qWait(300)
        return kilter.session.live()[0] == at_s

    technician.wait(stands_still, "the recording to stand still")
    still_s = kilter.session.live()[0]
    click(bar.step)
    technician.wait(lambda: kilter.session.live()[0] > still_s, "a step")
    assert kilter.session.live()[0] < still_s + 0.1

    bar.set_speed(20.0)
    click(bar.pause)
    technician.wait(lambda: technician.view.replay.is_over, "the end of the recording")
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


RECORDING = "# unit: N·m\n# nominal_rate_hz: 100\ntime_s,torque\n" + "".join(
    f"{i / 100:.2f},0.01\n" for i in range(3000)
)


@pytest.fixture
def recording(tmp_path):
    path = tmp_path / "what was pulled.csv"
    path.write_text(RECORDING, encoding="utf-8")
    return path


def wait(true, what: str, limit_s: float = 90.0) -> None:
    deadline = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < deadline, f"waited {limit_s} s for {what}"
        QTest.qWait(10)


def close(kilter) -> None:
    kilter.window.close()
    kilter.close()
    kilter.window.deleteLater()
    QTest.qWait(20)


def test_a_live_window_opens_a_recording_in_the_demonstration_and_stays_as_it_is(
    qapp, tmp_path, recording, monkeypatch
) -> None:
    started: list[tuple[str, list[str]]] = []
    monkeypatch.setattr(
        QProcess, "startDetached", staticmethod(lambda program, given: (bool(started.append((program, given)) or 1), 7))
    )
    kilter = Application(simulated=False, settings_path=None, store_file=tmp_path / "records.sqlite")
    try:
        kilter.window.show()
        kilter.session.open_link(f"replay:{recording}?speed=2", "")
        wait(lambda: kilter.window.replay is not None and kilter.window.replay.isVisible(), "the bar of the replay")
        click(kilter.window.replay.run)
        ((program, given),) = started
        assert program == sys.executable
        args = parser(()).parse_args(given[2:])
        assert (given[:2], args.simulated, args.replay) == (["-m", "benchapp"], True, str(recording))
        assert kilter.window.foot.message.text() == carewords.DEMONSTRATION
        assert kilter.session.view().replay is not None  # here the curve goes on
        assert not kilter.context.is_demo
    finally:
        close(kilter)


def test_the_demonstration_begins_with_the_recording_and_a_run_of_it_is_marked(
    qapp, tmp_path, workshop, recording
) -> None:
    store_file = tmp_path / "demo.sqlite"
    store_file.write_bytes(workshop.read_bytes())
    kilter = Application(simulated=True, settings_path=None, store_file=store_file, replay=str(recording))
    try:
        kilter.window.show()
        kilter.after_first_paint()
        wait(lambda: kilter.session.view().source is Source.REPLAYED, "replayed samples")
        wait(lambda: kilter.store is not None, "the records")
        assert kilter.store.is_demo
        wait(lambda: "REPLAYED" in kilter.window.mark.text, "the mark of a replay")
        click(kilter.window.replay.run)
        panel = kilter.window.bench.start
        wait(lambda: panel.isVisible() and bool(panel.tool_card.tools), "the start panel")
        panel.want_tool("OCF-005")
        panel.run_card.operator.setText("fitter 2")
        panel.replan()
        assert panel.plan is not None, panel.foot.says.text()
        assert panel.plan.source is Source.REPLAYED
        click(kilter.window.replay.back)
        wait(lambda: kilter.session.view().source is Source.SIMULATED, "the simulated bench again")
    finally:
        close(kilter)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["--replay", "FILE"], "--replay needs --simulated: runs of a recording belong to the demonstration records"),
        (
            ["--simulated", "--replay", "none.csv"],
            "none.csv: no file that can be read; give a trace file or a raw capture",
        ),
    ],
)
def test_what_cannot_be_replayed_at_once_is_said_in_one_line(recording, capsys, given, said) -> None:
    assert main([str(recording) if each == "FILE" else each for each in given]) == 2
    assert capsys.readouterr().err == f"kilter: {said}\n"
