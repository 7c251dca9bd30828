"""Version 3: practice pulls, studies of person or tool, the shop's own procedures."""

from __future__ import annotations

import sqlalchemy as sa
from alembic.operations import Operations


def upgrade(op: Operations) -> None:
    """Add the tables."""
    op.create_table(
        "practice_pulls",
        sa.Column("key", sa.Integer, primary_key=True),
        sa.Column("person", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("drill", sa.Text, nullable=False),
        sa.Column("level", sa.Integer, nullable=False, server_default=sa.text("1")),
        sa.Column("tool", sa.Text, nullable=False, server_default=""),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("data", sa.Text, nullable=False),
    )
    op.create_index("ix_practice_person", "practice_pulls", ["person", "key"])
    op.create_table(
        "studies",
        sa.Column("key", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("started", sa.Text, nullable=False),
        sa.Column("finished", sa.Text, nullable=False, server_default=""),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("data", sa.Text, nullable=False),
    )
    op.create_table(
        "study_pulls",
        sa.Column("study", sa.Integer, sa.ForeignKey("studies.key", ondelete="CASCADE"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("data", sa.Text, nullable=False),
    )
    op.create_table(
        "procedures",
        sa.Column("key", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("data", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False, server_default=""),
        sa.Column("sequence", sa.Integer, nullable=False),
        sa.UniqueConstraint("name", "version", name="uq_procedures_version"),
    )
