"""Start Kilter: `kilter`, `python -m benchapp`."""

from __future__ import annotations


def main() -> int:
    """Run the command line; see `benchapp.cli`."""
    from benchapp.cli.main import main as run

    return run()


if __name__ == "__main__":
    raise SystemExit(main())
