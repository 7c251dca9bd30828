"""The daily check in a real window: pulled from References, charted, and a moved tool stops the next run."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from benchapp.records import check_standard as cs
from benchapp.records import demo
from benchapp.runs.model import RunState
from benchapp.torque.direction import Direction
from benchapp.ui.bench.start import StartPanel


def mornings_before(store, n: int) -> None:
    """Checks of mornings gone by, drawn and sealed as those of the demonstration."""
    rng = np.random.default_rng(2)
    clock = demo._Clock(store.now())
    tool, reference = store.tool("OCF-090").tool, store.reference("REF-1")
    spot = next(procedure for procedure in demo.shipped_procedures() if procedure.is_spot_check)
    for _ in range(n):
        error = float(rng.normal(0.3, 0.1))
        demo._run(store, clock, rng, tool, reference, spot, error, clean=True, target=60.0)


def test_a_check_pulled_from_references_is_charted_and_one_that_is_out_stops_the_next_tool(open_kilter) -> None:
    technician = open_kilter()
    kilter, window = technician.kilter, technician.kilter.window
    store = kilter.store
    assert store is not None
    cs.set_standard(store, "REF-1", "OCF-090", 60.0, Direction.CLOCKWISE, who="custodian", why="kept for nothing else")
    mornings_before(store, cs.LEAST)
    window.set_operator("fitter 2")
    kilter.context.page_wanted.emit("references", "REF-1:check")
    check = window.stack.currentWidget().check
    technician.hand.ask(do="error", percent=3.0)  # within the tool's limits, far from where it was
    QTest.mouseClick(check.pull, Qt.MouseButton.LeftButton)
    technician.wait(lambda: technician.view.state is not None, "the run to begin")
    assert window.page == "bench"
    technician.walk_on(RunState.VERDICT)
    technician.key()
    technician.wait(lambda: technician.view.state is RunState.SEALED, "the seal")
    technician.wait(lambda: cs.refusal(store, "REF-1", "OCF-005") != "", "the value to be charted")
    # the tool itself is within its limits; what the check found stands above that
    headline = window.bench.headline
    technician.wait(lambda: headline.instruction == "REF-1 is stopped", "the check's own verdict")
    assert "outside" in headline.detail
    assert "Have the custodian look at it" in headline.detail
    technician.key()  # next tool
    technician.wait(lambda: technician.view.run is None, "the Bench to be free")
    (panel,) = window.findChildren(StartPanel)
    panel.tool_card.number.setText("OCF-005")
    QTest.keyClick(panel.tool_card.number, Qt.Key.Key_Return)
    technician.wait(lambda: "REF-1 is stopped" in panel.foot.says.text(), f"the refusal: {panel.foot.says.text()}")
    assert not panel.foot.go.isEnabled()
    kilter.context.page_wanted.emit("references", "REF-1:check")
    technician.wait(lambda: not check.look.isHidden(), "the page to know")
    assert len(check.values.drawn.marks) == cs.LEAST + 1
    assert check.values.drawn.marks[-1].ringed
