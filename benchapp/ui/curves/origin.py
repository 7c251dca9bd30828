"""What a saved picture or file says about where its curves are from, so that it can stand for nothing else. No Qt."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from benchapp.runs.model import Run
from benchapp.ui.format import wall_text
from drivers.samples import Source

SOURCE_SENTENCES: Final = {
    Source.LIVE: "Measured live.",
    Source.SIMULATED: "SIMULATED: these samples come from a simulation, no tool was pulled.",
    Source.REPLAYED: "REPLAYED: these samples were recorded before and played again, no tool was pulled then.",
    Source.IMPORTED: "IMPORTED: these samples were read from a file; what it tells of them was not checked.",
}


@dataclass(frozen=True, slots=True)
class Origin:
    """Where curves are from; "" is what is not known, and is not said.

    Attributes:
        source: Where the samples came from.
        tool: Number.
        run: Id of the run.
        date: When it was pulled, for people.
        checkpoint: Target and direction, or what else these pulls are.
        reference: Number.
        file: Name of the file they were read from.
        void: Why the run is void.
    """

    source: Source
    tool: str = ""
    run: str = ""
    date: str = ""
    checkpoint: str = ""
    reference: str = ""
    file: str = ""
    void: str = ""

    def facts(self) -> list[tuple[str, str]]:
        """Return what is known as (key, value), for lines ``# key: value`` like those of a trace file."""
        known = [
            ("tool", self.tool),
            ("run", self.run),
            ("date", self.date),
            ("checkpoint", self.checkpoint),
            ("reference", self.reference),
            ("file", self.file),
            ("void", self.void),
            ("origin", SOURCE_SENTENCES[self.source]),
        ]
        return [(key, " ".join(value.split())) for key, value in known if value.strip()]

    def heading(self) -> tuple[str, str]:
        """Return two lines for the head of a picture: what it shows, and where that is from."""
        first = ", ".join(part for part in (self.tool or self.file, self.checkpoint, self.date) if part)
        parts = [f"Run {self.run}" if self.run else "", f"reference {self.reference}" if self.reference else ""]
        named = ", ".join(part for part in parts if part)
        void = f"VOID: {self.void.strip().rstrip('.')}." if self.void.strip() else ""
        return first, " ".join(
            part for part in (named + "." if named else "", SOURCE_SENTENCES[self.source], void) if part
        )

    def file_name(self) -> str:
        """Return a name for a file without its ending, in words a folder can be searched for."""
        kind = "" if self.source is Source.LIVE else self.source.value
        parts = (
            self.tool or self.file,
            self.date[:10],
            self.checkpoint,
            f"run {self.run[:8]}" if self.run else "",
            kind,
            "void" if self.void else "",
        )
        return " ".join(part for part in parts if part) or "pulls"


def origin_of_run(run: Run, checkpoint: str, *, void: str = "") -> Origin:
    """Return where the pulls of a run are from; `checkpoint` names those that are shown, the direction is added."""
    plan = run.plan
    directions = {each.direction.value for each in plan.checkpoints}
    if len(directions) == 1 and not any(word in checkpoint for word in directions):
        checkpoint = f"{checkpoint} {next(iter(directions))}".strip()
    return Origin(
        plan.source, plan.tool.number, run.run_id, wall_text(run.started), checkpoint, plan.reference.number, void=void
    )
