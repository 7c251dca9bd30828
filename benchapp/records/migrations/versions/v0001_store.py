"""Version 1: tools, references, people, runs, pulls with traces, and the chain of entries."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic.operations import Operations

_ADDED_ONLY: Final = ("entries", "calibrations")
_ADDED_ONCE_SEALED: Final = ("pulls", "traces", "run_plans")


def upgrade(op: Operations) -> None:
    """Create the tables, and the triggers that keep our own mistakes away from what is sealed."""
    op.create_table(
        "meta",
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("value", sa.Text, nullable=False),
    )
    op.create_table(
        "people",
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("code", sa.Text, nullable=False, server_default=""),
        sa.Column("is_custodian", sa.Boolean, nullable=False, server_default=sa.text("0")),
        sa.Column("active", sa.Boolean, nullable=False, server_default=sa.text("1")),
    )
    op.create_table(
        "tools",
        sa.Column("number", sa.Text, primary_key=True),
        sa.Column("data", sa.Text, nullable=False),
        sa.Column("code", sa.Text, nullable=False, server_default=""),
        sa.Column("place", sa.Text, nullable=False, server_default=""),
        sa.Column("keeper", sa.Text, nullable=False, server_default=""),
        sa.Column("state", sa.Text, nullable=False, server_default="in-service"),
        sa.Column("interval_months", sa.Integer),
        sa.Column("interval_cycles", sa.Integer),
        sa.Column("first_use", sa.Text),
        sa.Column("cycles", sa.Integer, nullable=False, server_default=sa.text("0")),
        sa.Column("last_verified", sa.Text),
        sa.Column("last_outcome", sa.Text, nullable=False, server_default=""),
        sa.Column("due", sa.Text),
        sa.Column("remark", sa.Text, nullable=False, server_default=""),
        sa.Column("search", sa.Text, nullable=False),
    )
    op.create_index("ix_tools_code", "tools", ["code"])
    op.create_index("ix_tools_due", "tools", ["due"])
    op.create_table(
        "tool_photos",
        sa.Column("number", sa.Text, sa.ForeignKey("tools.number", ondelete="CASCADE"), primary_key=True),
        sa.Column("photo", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "refs",
        sa.Column("number", sa.Text, primary_key=True),
        sa.Column("data", sa.Text, nullable=False),
    )
    op.create_table(
        "calibrations",
        sa.Column("key", sa.Integer, primary_key=True),
        sa.Column("reference", sa.Text, sa.ForeignKey("refs.number"), nullable=False),
        sa.Column("certificate", sa.Text, nullable=False),
        sa.Column("calibrated", sa.Text, nullable=False),
        sa.Column("due", sa.Text, nullable=False),
        sa.Column("data", sa.Text, nullable=False),
        sa.Column("sequence", sa.Integer, nullable=False),
        sa.UniqueConstraint("reference", "certificate", name="uq_calibrations_certificate"),
    )
    op.create_table(
        "runs",
        sa.Column("key", sa.Integer, primary_key=True),
        sa.Column("run_id", sa.Text, nullable=False, unique=True),
        sa.Column("tool", sa.Text, nullable=False),
        sa.Column("reference", sa.Text, nullable=False),
        sa.Column("operator", sa.Text, nullable=False),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("procedure", sa.Text, nullable=False),
        sa.Column("started", sa.Text, nullable=False),
        sa.Column("finished", sa.Text, nullable=False, server_default=""),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("outcome", sa.Text, nullable=False, server_default=""),
        sa.Column("n_readings", sa.Integer, nullable=False, server_default=sa.text("0")),
        sa.Column("n_set_aside", sa.Integer, nullable=False, server_default=sa.text("0")),
        sa.Column("worst_percent", sa.Float),
        sa.Column("is_full", sa.Boolean, nullable=False, server_default=sa.text("0")),
        sa.Column("seal", sa.Text, nullable=False, server_default=""),
        sa.Column("sequence", sa.Integer),
        sa.Column("released_by", sa.Text, nullable=False, server_default=""),
        sa.Column("voided", sa.Text, nullable=False, server_default=""),
    )
    op.create_index("ix_runs_reference", "runs", ["reference", "started"])
    op.create_index("ix_runs_tool", "runs", ["tool", "key"])
    op.create_index("ix_runs_open", "runs", ["key"], sqlite_where=sa.text("seal = ''"))
    op.create_table(
        "run_plans",
        sa.Column("run_key", sa.Integer, sa.ForeignKey("runs.key"), primary_key=True),
        sa.Column("data", sa.Text, nullable=False),
    )
    op.create_table(
        "run_states",
        sa.Column("run_key", sa.Integer, sa.ForeignKey("runs.key"), primary_key=True),
        sa.Column("data", sa.Text, nullable=False),
    )
    op.create_table(
        "pulls",
        sa.Column("run_key", sa.Integer, sa.ForeignKey("runs.key"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("checkpoint_index", sa.Integer),
        sa.Column("direction", sa.Text, nullable=False),
        sa.Column("target_nm", sa.Float),
        sa.Column("reading_nm", sa.Float),
        sa.Column("peak_nm", sa.Float),
        sa.Column("deviation_percent", sa.Float),
        sa.Column("band", sa.Text, nullable=False, server_default=""),
        sa.Column("set_aside", sa.Text, nullable=False, server_default=""),
        sa.Column("flags", sa.Text, nullable=False, server_default=""),
        sa.Column("data", sa.Text),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "traces",
        sa.Column("run_key", sa.Integer, primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("n_samples", sa.Integer, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("blob", sa.LargeBinary, nullable=False),
        sa.ForeignKeyConstraint(["run_key", "number"], ["pulls.run_key", "pulls.number"]),
    )
    op.create_table(
        "entries",
        sa.Column("sequence", sa.Integer, primary_key=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("sealed", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
        sa.Column("previous", sa.Text, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
    )
    op.create_index("ix_entries_subject", "entries", ["subject", "sequence"])
    for table in _ADDED_ONLY:
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_{verb.lower()} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} are added, never changed'); END"
            )
    for table in _ADDED_ONCE_SEALED:
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_{verb.lower()} BEFORE {verb} ON {table} "
                "WHEN (SELECT seal FROM runs WHERE key = OLD.run_key) <> '' "
                "BEGIN SELECT RAISE(ABORT, 'this run is sealed'); END"
            )
