"""Version 2: jobs, work lists after a finding, the custodian's lock, check standard."""

from __future__ import annotations

import sqlalchemy as sa
from alembic.operations import Operations


def upgrade(op: Operations) -> None:
    """Add the tables."""
    op.create_table(
        "jobs",
        sa.Column("key", sa.Integer, primary_key=True),
        sa.Column("tool", sa.Text, nullable=False),
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("person", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("at_s", sa.Float, nullable=False),
        sa.Column("cycles", sa.Integer, nullable=False, server_default=sa.text("0")),
        sa.Column("torque_nm", sa.Float),
    )
    op.create_index("ix_jobs_tool", "jobs", ["tool", "at_s"])
    op.create_table(
        "tasks",
        sa.Column("key", sa.Integer, primary_key=True),
        sa.Column("cause", sa.Text, nullable=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("created", sa.Text, nullable=False),
        sa.Column("closed", sa.Text, nullable=False, server_default=""),
        sa.Column("closed_by", sa.Text, nullable=False, server_default=""),
        sa.Column("reason", sa.Text, nullable=False, server_default=""),
        sa.UniqueConstraint("cause", "subject", name="uq_tasks_subject"),
    )
    op.create_table(
        "custodian",
        sa.Column("key", sa.Integer, primary_key=True),
        sa.Column("salt", sa.LargeBinary, nullable=False),
        sa.Column("digest", sa.LargeBinary, nullable=False),
        sa.Column("n", sa.Integer, nullable=False),
        sa.Column("r", sa.Integer, nullable=False),
        sa.Column("p", sa.Integer, nullable=False),
        sa.Column("n_failed", sa.Integer, nullable=False, server_default=sa.text("0")),
        sa.Column("failed_s", sa.Float, nullable=False, server_default=sa.text("0")),
        sa.Column("changed", sa.Text, nullable=False),
    )
    op.create_table(
        "check_standard",
        sa.Column("key", sa.Integer, primary_key=True),
        sa.Column("reference", sa.Text, nullable=False),
        sa.Column("standard", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("value_percent", sa.Float, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("run_id", sa.Text, nullable=False, server_default=""),
        sa.Column("looked_at_by", sa.Text, nullable=False, server_default=""),
        sa.Column("looked_at_why", sa.Text, nullable=False, server_default=""),
    )
    op.create_index("ix_check_standard", "check_standard", ["reference", "standard", "key"])
