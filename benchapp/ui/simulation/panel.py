"""The simulated hand: buttons in the strip that marks the bench as simulated. It knows the control channel only.

Nothing here takes the keyboard: the Bench keeps it, and key P, held, pulls.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QAction
from PySide6.QtWidgets import QHBoxLayout, QLabel, QMenu, QPushButton, QWidget

from benchapp.metrology.reference import Reference
from benchapp.metrology.tool import Tool, ToolType
from benchapp.runs.model import RunState
from benchapp.torque.direction import Direction
from benchapp.ui import theme
from benchapp.ui.context import AppContext
from benchapp.ui.controls import strip_button
from benchapp.ui.format import percent
from benchapp.ui.simulation.control import ControlChannel
from benchapp.ui.theme import Sizes, font_of_cap

FOLLOW_MS: Final = 150
RELEASE_MS: Final = 60  # so long a key has to stay up before the hand eases off
ERROR_STEP: Final = 0.5
MOST_ERROR: Final = 30.0

MANNERS: Final = {
    "steady": "steady",
    "jerky": "jerky",
    "snatched": "snatched",
    "past-click": "carried past the click",
    "short": "too short",
    "twice": "twice",
    "shaky": "with a shaky arm",
    "reach": "to the target, and hold",
}
FAULTS: Final = {
    "unplug": "unplug the transducer for 4 s",
    "stall": "silence for 3 s",
    "garbage": "unreadable bytes",
    "cut-line": "a cut line",
    "burst": "lines in a burst",
    "gap": "samples missing",
    "wrong-sample": "a wrong sample",
    "wrong-unit": "another unit for 1 s",
}


def kind_of(tool: Tool) -> str:
    """Return the simulator's name for a tool of this type."""
    if tool.tool_type is ToolType.SETTING:
        return "click-screwdriver" if tool.is_screwdriver else "click-wrench"
    return "electronic-wrench" if tool.tool_class in ("C", "E") else "dial-wrench"


class HandPanel(QWidget):
    """Hold to pull, pull in a manner, true error, faults; follows the run's tool, target and direction by itself."""

    def __init__(self, context: AppContext, address: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.context = context
        self.channel = ControlChannel(address, self)
        self.state: dict[str, Any] = {}
        self._told: dict[str, Any] = {}
        self._refusal = ""
        self._reference_percent = 0.0  # so much too much the transducer shows
        self.error_percent = 0.0
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(4)
        self.name = QLabel("hand", self)
        self.hold = strip_button(self, "hold  [P]", "Hold to pull, let go to ease off (key P does the same)")
        self.pull = strip_button(self, "pull ▾", "One pull by itself, in a manner")
        self.less = strip_button(self, "−", "The tool lets go lower")
        self.error = QLabel("", self)
        self.error.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.more = strip_button(self, "+", "The tool lets go higher")
        self.fault = strip_button(self, "fault ▾", "Something goes wrong on the line")
        for widget in (self.name, self.hold, self.pull, self.less, self.error, self.more, self.fault):
            row.addWidget(widget)
        self.hold.pressed.connect(self._down)
        self.hold.released.connect(self._up)
        self.pull.clicked.connect(self._manners)
        self.fault.clicked.connect(self._faults)
        self.less.clicked.connect(self._lower)
        self.more.clicked.connect(self._higher)
        self.channel.state_came.connect(self._state)
        self.channel.connected_changed.connect(self._connected)
        self.channel.refused.connect(self._refused)
        self.channel.granted.connect(self._granted)
        self._release = QTimer(self)
        self._release.setSingleShot(True)
        self._release.setInterval(RELEASE_MS)
        self._release.timeout.connect(self._let_go)
        self.timer = QTimer(self)
        self.timer.setInterval(FOLLOW_MS)
        self.timer.timeout.connect(self.follow)
        self.timer.start()
        self._connected(False)
        self._show_error()
        self.channel.open()

    # ------------------------------------------------------------------------------------------------------------- hand

    def key(self, down: bool) -> None:
        """The pulling key went down or up."""
        if not down:  # while it is kept down it comes up and goes down again, over and over
            self._release.start()
        elif self._release.isActive():
            self._release.stop()
        else:
            self.hold.setDown(True)
            self._down()

    def _let_go(self) -> None:
        self.hold.setDown(False)
        self._up()

    def _down(self) -> None:
        self.channel.ask("key", down=True)

    def _up(self) -> None:
        self.channel.ask("key", is_news=False, down=False)

    def pull_in(self, manner: str) -> None:
        """One pull by itself."""
        self.channel.ask("pull", manner=manner)

    def set_error(self, percent: float) -> None:
        """The tool's true error from now on."""
        self.error_percent = max(-MOST_ERROR, min(MOST_ERROR, percent))
        self.channel.ask("error", percent=self.error_percent)
        self._show_error()

    def _lower(self) -> None:
        self.set_error(self.error_percent - ERROR_STEP)

    def _higher(self) -> None:
        self.set_error(self.error_percent + ERROR_STEP)

    def _show_error(self) -> None:
        self.error.setText(f"true error {percent(self.error_percent)}")

    def _manners(self) -> None:
        self._menu(MANNERS, self.pull, self._manner_picked)

    def _faults(self) -> None:
        self._menu(FAULTS, self.fault, self._fault_picked)

    def _menu(self, rows: dict[str, str], under: QPushButton, slot: Any) -> None:
        menu = QMenu(self)
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        for key, text in rows.items():
            menu.addAction(text).setData(key)
        menu.triggered.connect(slot)
        menu.popup(under.mapToGlobal(under.rect().bottomLeft()))

    def _manner_picked(self, action: QAction) -> None:
        self.pull_in(str(action.data()))

    def _fault_picked(self, action: QAction) -> None:
        self.channel.ask("fault", fault=str(action.data()))

    # ----------------------------------------------------------------------------------------------------------- follow

    def follow(self) -> None:
        """Set the simulated tool as the run or the practice asks, as a person's other hand would."""
        view = self.context.bench.view()
        run = view.run
        if not self.channel.is_connected or self.state.get("phase", "rest") != "rest":
            return  # nobody changes tools while he pulls
        if run is None:
            if self.context.practising is not None:
                self._follow_practice(*self.context.practising)
            return
        tool = run.plan.tool
        self._tell("tool", kind=kind_of(tool), max=tool.highest_nm)
        self._tell("direction", direction=view.direction.value)
        if view.target_nm is not None:
            self._tell("set", torque=abs(view.target_nm))
            self._follow_reference(run.plan.reference, view.direction, abs(view.target_nm))
        if view.state in (RunState.ZERO, RunState.FINAL_ZERO):
            self._tell("mount", on=False)
        elif view.state is not RunState.CAUTIONS:
            self._told.pop("mount", None)

    def _follow_practice(self, tool: Tool, target_nm: float, direction: Direction, reference: Reference | None) -> None:
        self._tell("tool", kind=kind_of(tool), max=tool.highest_nm)
        self._tell("direction", direction=direction.value)
        self._tell("set", torque=target_nm)
        self._follow_reference(reference, direction, target_nm)

    def _follow_reference(self, reference: Reference | None, direction: Direction, torque_nm: float) -> None:
        """The simulated transducer shows what the certificate says of the real one: a right tool is then read right."""
        from benchapp.metrology.correction import error_percent_at

        calibration = reference.calibration if reference is not None else None
        percent = 0.0
        if calibration is not None:
            percent = round(error_percent_at(replace(calibration, degree=0), direction, torque_nm), 4)
        if percent != self._reference_percent:
            self._reference_percent = percent
            self.channel.ask("transducer", percent=percent)

    def _tell(self, do: str, **more: Any) -> None:
        """Ask only for what has changed."""
        if self._told.get(do) == more:
            return
        if do == "tool":
            self._told.clear()
        self._told[do] = more
        self.channel.ask(do, **more)

    def _state(self, state: dict[str, Any]) -> None:
        self.state = state
        tool = state.get("tool")
        if isinstance(tool, dict) and isinstance(tool.get("error_percent"), (int, float)):
            self.error_percent = float(tool["error_percent"])
            self._show_error()

    def _connected(self, up: bool) -> None:
        self._told.clear()
        self._reference_percent = 0.0
        for button in (self.hold, self.pull, self.less, self.more, self.fault):
            button.setEnabled(up)
        self.name.setText("simulated hand" if up else "simulated hand: no simulator answers")

    def _refused(self, sentence: str) -> None:
        self._told.pop(sentence.partition(":")[0], None)  # as when a pull had just begun: once more when it is over
        self._refusal = f"The simulator refused: {sentence}"
        self.context.message.emit("problem", self._refusal)

    def _granted(self) -> None:
        """What it refused stands no longer once it has done something else."""
        if self._refusal:
            self.context.message.emit("over", self._refusal)
            self._refusal = ""

    def restyle(self) -> None:
        """The palette or the window's size has changed."""
        s, c = Sizes.of(self.window().height()), theme.palette()
        self.setStyleSheet(
            f"HandPanel {{ background: {c.sim}; }}"
            f"QLabel {{ color: {c.sim_ink}; padding: 0 6px; }}"
            f"QPushButton {{ background: {c.panel}; color: {c.ink}; border: 1px solid {c.sim_ink};"
            f" border-radius: 5px; padding: 0 9px; }}"
            f"QPushButton:hover {{ border: 2px solid {c.accent}; padding: 0 8px; }}"
            f"QPushButton:pressed {{ background: {c.accent}; color: {c.ground}; }}"
            f"QPushButton:disabled {{ color: {c.soft}; }}"
        )
        for widget in (self.name, self.hold, self.pull, self.less, self.error, self.more, self.fault):
            widget.setFont(font_of_cap(s.small * 0.95))
        self.error.setFixedWidth(self.error.fontMetrics().horizontalAdvance("true error −88.8 %") + 14)

    def stop(self) -> None:
        """Hang up; may be called again."""
        self.timer.stop()
        self._release.stop()
        self.channel.close()
