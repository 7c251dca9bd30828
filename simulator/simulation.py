"""The bench with its line and its faults, in sample time: what goes out is a function of seed, script and requests.

No clock and no port in here; `simulator.server` gives it both.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from simulator import hand
from simulator.bench import Bench
from simulator.hand import Intention, Manner
from simulator.lines import NEWTON_METRES, SHAPES, Commands, Format, encode
from simulator.tools import Kind, ToolSettings, draw_mechanism
from simulator.transducer import TransducerSettings

Answer = dict[str, Any]

REQUESTS: Final = (
    "state",
    "key",
    "pull",
    "release",
    "knock",
    "tool",
    "set",
    "error",
    "direction",
    "mount",
    "offset",
    "transducer",
    "fault",
    "quit",
)
"""What `do` may be; each is a method `_ask_…`."""
FAULTS: Final = ("cut-line", "garbage", "burst", "stall", "unplug", "wrong-unit", "gap", "wrong-sample")
_SECONDS: Final = {"garbage": 0.2, "burst": 0.3, "stall": 3.0, "unplug": 4.0, "wrong-unit": 1.0, "gap": 0.08}


class RequestError(Exception):
    """A request that cannot be done; the text says which key, what was given and what can be."""


@dataclass(frozen=True, slots=True)
class Step:
    """One line of a script: when, and the request.

    Attributes:
        request: As on the control channel.
        at_sample: Sample before which it is done; None when it waits for something else.
        at_pull: Done when that pull begins (1 is the first), `after` samples on.
        at_click: Done when a tool lets go for that time, `after` samples on.
        after: Samples.
    """

    request: Mapping[str, Any]
    at_sample: int | None = None
    at_pull: int | None = None
    at_click: int | None = None
    after: int = 0


def read_script(path: Path, rate_hz: float) -> list[Step]:
    """Read a script: TOML, or JSON when the name ends so.

    A list `step`; each entry is a request of the control channel with one of `at_s`, `at_sample`, `at_pull`,
    `at_click`; the last two take `after_s` too.

    Args:
        path: File.
        rate_hz: To turn seconds into samples.

    Raises:
        RequestError: Not to be read; file, entry and reason are named.
    """
    try:
        text = path.read_text(encoding="utf-8")
        data = json.loads(text) if path.suffix == ".json" else tomllib.loads(text)
    except OSError as error:
        raise RequestError(f"{path}: cannot be read: {error.strerror}; give a file of steps") from error
    except ValueError as error:
        raise RequestError(f"{path}: {error}; correct it there") from error
    entries = data.get("step") if isinstance(data, dict) else None
    if not isinstance(entries, list):
        raise RequestError(f"{path}: no list 'step'; write one [[step]] for each thing to do")
    steps = []
    for number, entry in enumerate(entries, start=1):
        where = f"{path}: step {number}"
        if not isinstance(entry, dict) or entry.get("do") not in REQUESTS:
            given = f"do: {entry['do']!r} is not" if isinstance(entry, dict) and "do" in entry else "no 'do'; give"
            raise RequestError(f"{where}: {given} one of {', '.join(REQUESTS)}")
        request = dict(entry)
        times = {key: request.pop(key) for key in ("at_s", "at_sample", "at_pull", "at_click") if key in request}
        after = request.pop("after_s", 0.0)
        if len(times) != 1:
            raise RequestError(f"{where}: one of at_s, at_sample, at_pull, at_click is needed, {len(times)} given")
        for key, value in (*times.items(), ("after_s", after)):
            if isinstance(value, bool) or not isinstance(value, int | float) or not value >= 0 or math.isinf(value):
                raise RequestError(f"{where}: {key} = {value!r} is not a number from 0 up")
        after_samples = round(after * rate_hz)
        if "at_s" in times:
            steps.append(Step(request, at_sample=round(times["at_s"] * rate_hz) + after_samples))
        elif "at_sample" in times:
            steps.append(Step(request, at_sample=int(times["at_sample"]) + after_samples))
        elif "at_pull" in times:
            steps.append(Step(request, at_pull=int(times["at_pull"]), after=after_samples))
        else:
            steps.append(Step(request, at_click=int(times["at_click"]), after=after_samples))
    return steps


class Simulation:
    """A simulated bench that answers requests and makes bytes.

    Args:
        seed: Same seed, script and requests at the same samples: same bytes.
        shape: One of `simulator.lines.SHAPES`.
        transducer: Rate, capacity and the rest.
        tool: In the hand at the start.
        unit: Of the line.
        script: Steps to do by itself.
        identity: What the transducer says it is.
    """

    def __init__(
        self,
        seed: int = 1,
        shape: str = "signed-value-unit",
        transducer: TransducerSettings | None = None,
        tool: ToolSettings | None = None,
        unit: str = "N·m",
        script: list[Step] | None = None,
        identity: str = "SIM-1",
    ) -> None:
        if shape not in SHAPES:
            raise RequestError(f"shape: {shape!r} is not one of {', '.join(SHAPES)}")
        if unit not in NEWTON_METRES:
            raise RequestError(f"unit: {unit!r} is not one of {', '.join(NEWTON_METRES)}")
        settings = transducer if transducer is not None else TransducerSettings()
        self.shape, self.rate_hz = shape, settings.rate_hz
        self._tool = tool if tool is not None else ToolSettings()
        bench_seed, plan_seed, fault_seed = np.random.SeedSequence(seed).spawn(3)
        self._random = np.random.default_rng(plan_seed)
        self._fault_random = np.random.default_rng(fault_seed)
        mechanism = draw_mechanism(self._tool.kind, self._tool.maximum_nm, self._tool.weak, self._random)
        self.bench = Bench(hand.draw_arm(self._random), self._tool, mechanism, settings, bench_seed)
        step = settings.resolution_nm / NEWTON_METRES[unit]
        self.form = Format(
            unit,
            decimals=max(0, math.ceil(-math.log10(step) - 1e-9)),
            rate_hz=settings.rate_hz,
            overload_nm=settings.overload * settings.capacity_nm,
        )
        self._unit = unit
        self.commands = Commands(shape, identity, self.bench.transducer.zero)
        self._script = list(script or [])
        self._later: list[tuple[int, Callable[[], None]]] = []
        for step_ in self._script:
            if step_.at_sample is not None:
                self._later.append((step_.at_sample, self._scripted(step_)))
        self.script_errors: list[str] = []  # what of the script could not be done, oldest first
        self.sample = 0  # running number of the next one
        self.n_lines = 0
        self.n_pulls = 0
        self.unplug_s = 0.0  # > 0: the server has to take the port away for that long; it sets 0 again
        self.quit = False
        self.changed = True  # the state should be pushed
        self._manner: Manner | None = None
        self._starting = False
        self._until: dict[str, int] = {}  # fault -> sample at which it ends
        self._cut = 0
        self._wrong = 0
        self._wrong_factor = 2.0
        self._wrong_at = 0
        self._held: list[bytes] = []
        self._torque = 0.0
        self._peak = 0.0
        self._first: float | None = None
        self._last_pull: Answer | None = None
        self._shown_peak = 0.0
        self._mounted = False
        self._seen_clicks = 0
        self._reach_nm = 0.0

    # ---- requests ---------------------------------------------------------------------------------------------

    def ask(self, request: Mapping[str, Any]) -> Answer:
        """Do a request of the control channel and return its answer (see `simulator.control`)."""
        answer: Answer = {"id": request["id"]} if "id" in request else {}
        try:
            more = getattr(self, f"_ask_{self._choice(request, 'do', REQUESTS)}")(request)
        except RequestError as error:
            return answer | {"ok": False, "error": str(error)}
        self.changed = True
        return answer | {"ok": True} | (more or {})

    @staticmethod
    def _number(request: Mapping[str, Any], key: str, default: float | None, low: float, high: float) -> float:
        value = request.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise RequestError(f"{key}: {value!r} is not a number from {low:g} to {high:g}")
        return float(value)

    @staticmethod
    def _truth(request: Mapping[str, Any], key: str) -> bool:
        value = request.get(key)
        if not isinstance(value, bool):
            raise RequestError(f"{key}: {value!r} is not true or false")
        return value

    @staticmethod
    def _choice(request: Mapping[str, Any], key: str, choices: tuple[str, ...]) -> str:
        value = request.get(key)
        if not isinstance(value, str) or value not in choices:
            raise RequestError(f"{key}: {value!r} is not one of {', '.join(choices)}")
        return value

    def _at_rest(self, what: str) -> None:
        if self.bench.hand.phase != "rest" or self._starting:
            raise RequestError(f"{what}: a pull is under way; release first")

    def _ask_state(self, request: Mapping[str, Any]) -> Answer:
        return {"state": self.state()}

    def _ask_key(self, request: Mapping[str, Any]) -> None:
        if not self._truth(request, "down"):
            if self._manner is Manner.KEY:
                self.bench.hand.release()
            return
        rate = self._number(request, "rate", 20.0, 0.5, 1000.0)
        if self.bench.hand.phase == "easing" or self.bench.hand.phase == "rest":
            self._starting = True  # a delayed pull is replaced
            self._begin(hand.held_key(self._tool.setting_nm, rate), Manner.KEY)

    def _ask_pull(self, request: Mapping[str, Any]) -> None:
        manner = Manner(self._choice(request, "manner", tuple(m.value for m in Manner if m is not Manner.KEY)))
        self._at_rest("pull")
        target = self._number(request, "target", self._tool.setting_nm, 1e-6, 1e6)
        hold = self._number(request, "hold_s", 2.0, 0.0, 600.0)
        delay = self._number(request, "delay_s", 0.3, 0.0, 600.0)
        rate = None if request.get("rate") is None else self._number(request, "rate", None, 0.5, 1000.0)
        plan = self._plan(manner, target, hold, rate)
        self._starting = True
        self._later.append((self.sample + round(delay * self.rate_hz), lambda: self._begin(plan, manner)))

    def _plan(self, manner: Manner, target: float, hold_s: float, rate: float | None) -> Intention:
        random = self._random
        if manner is Manner.REACH:
            return hand.reach(target, random, hold_s=hold_s, overshoot=float(random.normal(0.0, 0.012)))
        if manner in (Manner.STEADY, Manner.SHAKY):
            return hand.steady(target, random, rate_percent_per_s=rate)
        makes = {
            Manner.JERKY: hand.jerky,
            Manner.SNATCHED: hand.snatched,
            Manner.PAST_CLICK: hand.past_click,
            Manner.SHORT: hand.short,
            Manner.TWICE: hand.twice,
        }
        return makes[manner](target, random)

    def _begin(self, plan: Intention, manner: Manner) -> None:
        if not self._starting:
            return  # released in the meantime
        self._starting = False
        self._manner = manner
        self.bench.hand.shaky(0.02 if manner is Manner.SHAKY else None)
        self._reach_nm = plan.scale_nm
        self.bench.hand.start(plan)
        self._peak, self._first, self._shown_peak = 0.0, None, 0.0
        self.n_pulls += 1
        self._follow("at_pull", self.n_pulls)
        self.changed = True

    def _ask_release(self, request: Mapping[str, Any]) -> None:
        self._starting = False
        self.bench.hand.release()

    def _ask_knock(self, request: Mapping[str, Any]) -> None:
        capacity = self.bench.transducer.settings.capacity_nm
        self.bench.knock(self._number(request, "torque", 0.03 * capacity, -capacity, capacity))

    def _ask_tool(self, request: Mapping[str, Any]) -> None:
        self._at_rest("tool")
        kind = Kind(self._choice(request, "kind", tuple(k.value for k in Kind)))
        maximum = self._number(request, "max", self._tool.maximum_nm, 1e-3, 1e5)
        weak = self._truth(request, "weak") if "weak" in request else False
        self._tool.kind, self._tool.maximum_nm, self._tool.weak = kind, maximum, weak
        self._tool.setting_nm = 0.6 * maximum if kind.indicating else maximum
        self._shown_peak = 0.0
        self.bench.change_tool(self._tool, draw_mechanism(kind, maximum, weak, self._random))

    def _ask_set(self, request: Mapping[str, Any]) -> None:
        self._tool.setting_nm = self._number(request, "torque", None, 1e-6, 1e6)
        self._arm()

    def _ask_error(self, request: Mapping[str, Any]) -> None:
        percent = self._number(request, "percent", self._tool.error_percent, -90.0, 500.0)
        spread = self._number(request, "spread", self._tool.spread_percent, 0.0, 50.0)
        self._tool.error_percent, self._tool.spread_percent = percent, spread
        self._arm()

    def _arm(self) -> None:
        if not self.bench.tool.let_go:
            self.bench.tool.arm()

    def _ask_direction(self, request: Mapping[str, Any]) -> None:
        self._at_rest("direction")
        way = self._choice(request, "direction", ("clockwise", "anticlockwise"))
        self.bench.sign = 1.0 if way == "clockwise" else -1.0

    def _ask_mount(self, request: Mapping[str, Any]) -> None:
        capacity = self.bench.transducer.settings.capacity_nm
        on = self._truth(request, "on")
        hanging = self._number(request, "hanging", 0.002 * capacity, -capacity, capacity)
        self._mounted = on
        self.bench.hanging_nm = hanging if on else 0.0

    def _ask_offset(self, request: Mapping[str, Any]) -> None:
        settings = self.bench.transducer.settings
        torque = self._number(request, "torque", settings.offset_nm, -1e6, 1e6)
        drift = self._number(request, "drift", settings.drift_nm_per_s, -1e6, 1e6)
        settings.offset_nm, settings.drift_nm_per_s = torque, drift

    def _ask_transducer(self, request: Mapping[str, Any]) -> None:
        settings = self.bench.transducer.settings
        settings.error_percent = self._number(request, "percent", settings.error_percent, -50.0, 50.0)

    def _ask_fault(self, request: Mapping[str, Any]) -> None:
        fault = self._choice(request, "fault", FAULTS)
        count = int(self._number(request, "count", 1, 1, 100_000))
        seconds = self._number(request, "seconds", _SECONDS.get(fault, 0.0), 0.0, 3600.0)
        if fault == "cut-line":
            self._cut += count
        elif fault == "wrong-sample":
            self._wrong_factor = self._number(request, "factor", 2.0, -100.0, 100.0)
            self._wrong += count
            self._wrong_at = max(self._wrong_at, self.sample)
        elif fault == "unplug":
            self.unplug_s = max(seconds, 1e-3)
        else:
            if fault == "wrong-unit":
                self.form.unit = self._choice({"unit": request.get("unit", "lbf·ft")}, "unit", tuple(NEWTON_METRES))
            self._until[fault] = self.sample + max(round(seconds * self.rate_hz), 1)

    def _ask_quit(self, request: Mapping[str, Any]) -> None:
        self.quit = True

    # ---- script -----------------------------------------------------------------------------------------------

    def _scripted(self, step: Step) -> Callable[[], None]:
        def do() -> None:
            answer = self.ask(step.request)
            if not answer["ok"]:
                self.script_errors.append(f"sample {self.sample}: {answer['error']}")

        return do

    def _follow(self, what: str, number: int) -> None:
        for step in self._script:
            if getattr(step, what) == number:
                self._later.append((self.sample + step.after, self._scripted(step)))

    # ---- samples ----------------------------------------------------------------------------------------------

    def produce(self, n: int) -> bytes:
        """Make the next n samples and return the bytes that leave the transducer for them."""
        out: list[bytes] = []
        end = self.sample + n
        while self.sample < end:
            due = [entry for entry in self._later if entry[0] <= self.sample]
            if due:
                self._later = [entry for entry in self._later if entry[0] > self.sample]
                for _, do in due:
                    do()
                continue
            ends = [k for k in self._until.values() if k > self.sample]
            stop = min([end, *(k for k, _ in self._later), *ends])
            self._block(stop - self.sample, out)
        return b"".join(out)

    def _block(self, n: int, out: list[bytes]) -> None:
        first = self.sample
        torque = self.bench.step(n)
        self.sample += n
        self._notice(torque)
        settings = self.bench.transducer.settings
        while self._wrong and self._wrong_at < self.sample:
            k = max(self._wrong_at - first, 0)
            sign = math.copysign(1.0, torque[k]) if abs(torque[k]) > 0.01 * settings.capacity_nm else self.bench.sign
            torque[k] = sign * self._wrong_factor * max(abs(torque[k]), 0.1 * settings.capacity_nm)
            self._wrong -= 1
            self._wrong_at = first + k + 20 + int(self._fault_random.integers(0, 30))
        active = self._until
        if "stall" not in active and "gap" not in active:
            lines = encode(self.shape, self.bench.transducer.rounded(torque), first, self.form)
            self.n_lines += n
            if "garbage" in active:
                lines = [self._fault_random.bytes(len(line)) for line in lines]
            if self._cut:
                for k in range(min(self._cut, len(lines))):
                    lines[k] = lines[k][: int(self._fault_random.integers(1, len(lines[k]) - 2))]
                self._cut = max(0, self._cut - len(lines))
            if "burst" in active:
                self._held += lines
            else:
                out += lines
        for fault in [name for name, k in active.items() if k <= self.sample]:
            del active[fault]
            self.changed = True
            if fault == "burst":
                out += self._held
                self._held = []
            elif fault == "wrong-unit":
                self.form.unit = self._unit

    def _notice(self, torque: np.ndarray[tuple[int], np.dtype[np.float64]]) -> None:
        """Keep what the state tells; the true torque stands for what an indicating tool shows."""
        self._torque = float(torque[-1])
        clicks = len(self.bench.clicks)
        if clicks > self._seen_clicks:
            for number in range(self._seen_clicks + 1, clicks + 1):
                self._follow("at_click", number)
            if self._first is None:
                self._first = self.bench.tool.released_nm
            self._seen_clicks = clicks
            self.changed = True
        if self._manner is not None:
            self._peak = max(self._peak, self.bench.greatest_nm)
            if self._tool.kind.indicating:
                self._shown_peak = self._tool.shown_nm(self._peak)
            if self.bench.hand.phase == "rest":
                self._last_pull = {"first_peak": self._first, "peak": self._peak, "manner": self._manner.value}
                self._manner = None
                self.changed = True

    def state(self) -> Answer:
        """What the control channel tells; see `simulator.control`."""
        tool, settings = self._tool, self.bench.transducer.settings
        phase = self.bench.hand.phase
        if phase == "pulling" and self._manner is Manner.REACH and abs(self.bench.now_nm) > 0.93 * self._reach_nm:
            phase = "holding"
        faults = list(self._until)
        faults += ["cut-line"] if self._cut else []
        faults += ["wrong-sample"] if self._wrong else []
        indicating = tool.kind.indicating
        return {
            "time_s": round(self.sample / self.rate_hz, 6),
            "torque": round(self._torque, 6),
            "unit": "N·m",
            "phase": phase,
            "manner": None if self._manner is None else self._manner.value,
            "mounted": self._mounted,
            "direction": "clockwise" if self.bench.sign > 0 else "anticlockwise",
            "tool": {
                "kind": tool.kind.value,
                "max": tool.maximum_nm,
                "setting": tool.setting_nm,
                "error_percent": tool.error_percent,
                "spread_percent": tool.spread_percent,
                "indicating": indicating,
                "weak": tool.weak,
            },
            "shown": round(tool.shown_nm(abs(self.bench.now_nm)), 6) if indicating else None,
            "shown_peak": round(self._shown_peak, 6) if indicating else None,
            "clicks": self._seen_clicks,
            "pulls": self.n_pulls,
            "last_pull": self._last_pull,
            "line": {"shape": self.shape, "rate_hz": self.rate_hz, "unit": self.form.unit, "lines": self.n_lines},
            "capacity": settings.capacity_nm,
            "faults": faults,
        }


def make_simulation(
    *,
    seed: int = 1,
    shape: str = "signed-value-unit",
    rate_hz: float = 1000.0,
    capacity_nm: float = 250.0,
    tool: str = "click-wrench",
    tool_max_nm: float | None = None,
    setting_nm: float | None = None,
    error_percent: float = 0.0,
    unit: str = "N·m",
    noise: float = 5e-5,
    hum: float = 0.0,
    filter_hz: float | None = None,
    script: Path | None = None,
) -> Simulation:
    """Return a simulation from plain figures, as the command line has them.

    Args:
        seed: Whole number.
        shape: Line shape.
        rate_hz: 1 to 20,000.
        capacity_nm: Of the transducer.
        tool: Kind.
        tool_max_nm: Default 0.8 × capacity.
        setting_nm: Default 0.6 × the tool's maximum.
        error_percent: True error of the tool.
        unit: Of the line.
        noise: Share of capacity.
        hum: Share of capacity.
        filter_hz: Default 0.3 × rate, at most 500.
        script: File with steps.

    Raises:
        RequestError: A figure that cannot be.
    """
    maximum = 0.8 * capacity_nm if tool_max_nm is None else tool_max_nm
    setting = 0.6 * maximum if setting_nm is None else setting_nm
    for name, value, low, high in (
        ("rate", rate_hz, 1.0, 20_000.0),
        ("capacity", capacity_nm, 1e-3, 1e6),
        ("tool's maximum", maximum, 1e-6, 1e6),
        ("setting", setting, 1e-6, 1e6),
        ("error", error_percent, -90.0, 500.0),
        ("noise", noise, 0.0, 0.1),
        ("hum", hum, 0.0, 0.1),
    ):
        if not low <= value <= high:
            raise RequestError(f"{name}: {value:g} is not from {low:g} to {high:g}")
    if tool not in [k.value for k in Kind]:
        raise RequestError(f"tool: {tool!r} is not one of {', '.join(k.value for k in Kind)}")
    settings = TransducerSettings(
        capacity_nm=capacity_nm,
        rate_hz=rate_hz,
        filter_hz=min(0.3 * rate_hz, 500.0) if filter_hz is None else filter_hz,
        noise=noise,
        hum=hum,
        resolution_nm=10.0 ** math.floor(math.log10(capacity_nm * 5e-5)),
    )
    steps = read_script(script, rate_hz) if script is not None else []
    return Simulation(
        seed,
        shape,
        settings,
        ToolSettings(Kind(tool), maximum, setting, error_percent),
        unit,
        steps,
    )
