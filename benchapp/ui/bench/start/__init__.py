"""What the Bench shows without a run: tool, reference, procedure, who pulls; then one key starts."""

from benchapp.ui.bench.start.panel import StartPanel

__all__ = ["StartPanel"]
