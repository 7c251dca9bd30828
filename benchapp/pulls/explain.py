"""Say in sentences what was seen on the curve of a pull: measured value, limit, place."""

from __future__ import annotations

from typing import Final

from benchapp.pulls.pull import Flag, Mode, Noticed, Pull

_SENTENCES: Final[dict[Flag, str]] = {
    Flag.JERKY: "the torque dipped by {value} below what had been reached (limit {limit}){span}",
    Flag.TOO_FAST: "the last fifth of the load took {value}, less than {limit}",
    Flag.TOO_SLOW: "the last fifth of the load took {value}, more than {limit}",
    Flag.PAST_CLICK: "pulled on past the click: {value} above it (limit {limit}){span}",
    Flag.NO_CLICK: "the tool never let go; the greatest torque was {value}{span}",
    Flag.UNCLEAR: "a fall of {value} may be the click or a dip of the arm{span}",
    Flag.DOUBLE: "a second rise before rest, {value} after the reading (limit {limit}){span}",
    Flag.SHORT: "{value} of the target was reached; at least {limit} is needed",
    Flag.ZERO_OFF: "the rest level was {value} away from zero; the limit is {limit}",
    Flag.OVERLOAD: "above the capacity of the reference: {value}, capacity {limit}{span}",
    Flag.TOOL_OVERLOAD: "above what the tool may take: {value}, limit {limit}{span}",
    Flag.GAP: "samples are missing for {value} (limit {limit}){span}",
    Flag.SPIKE: "{value} were rejected as not physical{span}",
    Flag.CUT: "the recording begins or ends inside the pull",
}

_TOO_SLOW_TO_TELL: Final = (
    "a fall that took {value} is too slow for a tool that lets go ({limit}) and too quick for an arm; if the device "
    "averages its samples, choose a faster filter and pull again{span}"
)


def explain(pull: Pull, unit: str) -> list[str]:
    """Return sentences: how the reading came about, then one for each flag, beginning with the flag's name.

    Args:
        pull: Any pull.
        unit: Name of the unit that its torques are in.
    """
    return [_reading(pull, unit), *(_noticed(noticed, unit) for noticed in pull.noticed)]


def _reading(pull: Pull, unit: str) -> str:
    if pull.reading is None or pull.reading_time_s is None:
        return {
            Mode.FIRST_PEAK: "no reading: no letting-go that can be read was found",
            Mode.PEAK: "no reading: there is no greatest torque",
            Mode.HOLD: "no reading: no half second above half the peak was held steadily",
        }[pull.mode]
    what = {
        Mode.FIRST_PEAK: "the tool let go",
        Mode.PEAK: "the greatest torque was reached",
        Mode.HOLD: "the steadiest half second lies",
    }[pull.mode]
    sentence = f"reading {pull.reading:.5g} {unit}: {what} at {pull.reading_time_s:.3f} s"
    if pull.time_80_to_100_s is not None and pull.loading_rate_per_s is not None:
        sentence += (
            f"; the last fifth of the load took {pull.time_80_to_100_s:.2f} s at {pull.loading_rate_per_s:.3g} {unit}/s"
        )
    if pull.sampling_hides_percent is not None and pull.sampling_hides_percent >= 0.05:
        sentence += f"; between two samples up to {pull.sampling_hides_percent:.2g} % of it may be hidden"
    return sentence


def _noticed(noticed: Noticed, unit: str) -> str:
    span = ""
    if noticed.start_s is not None and noticed.end_s is not None:
        span = f", at {noticed.start_s:.3f} s"
        if noticed.end_s > noticed.start_s:
            span = f", {noticed.start_s:.3f} s to {noticed.end_s:.3f} s"
    sentence = _SENTENCES[noticed.flag]
    if noticed.flag is Flag.UNCLEAR and noticed.unit == "s":
        sentence = _TOO_SLOW_TO_TELL
    text = sentence.format(
        value=_quantity(noticed.value, noticed.unit or unit),
        limit=_quantity(noticed.limit, noticed.unit or unit),
        span=span,
    )
    return f"{noticed.flag.value}: {text}"


def _quantity(value: float | None, unit: str) -> str:
    if value is None:
        return "unknown"
    return f"{value:.0f} {unit}" if unit == "samples" else f"{value:.4g} {unit}"
