"""Version 4: a pull of a run under way is one row; a search of the logbook reads an index instead of the table."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic.operations import Operations

_UNDER_WAY: Final = "SELECT run_key FROM run_states JOIN runs ON runs.key = run_key WHERE seal = ''"

def upgrade(op: Operations) -> None:
    """Move pulls of runs under way, with their traces; what is sealed stays where it is."""
    op.create_table(
        "captured",
        sa.Column("key", sa.Integer, primary_key=True),
        sa.Column("state", sa.Text, nullable=False, server_default=""),
        sa.Column("data", sa.Text, nullable=False),
        sa.Column("n_samples", sa.Integer),
        sa.Column("sha256", sa.Text),
        sa.Column("blob", sa.LargeBinary),
    )
    op.execute(
        "INSERT INTO captured (key, data, n_samples, sha256, blob) "
        "SELECT pulls.run_key << 20 | pulls.number, pulls.data, n_samples, sha256, blob "
        "FROM pulls LEFT JOIN traces ON traces.run_key = pulls.run_key AND traces.number = pulls.number "
        f"WHERE pulls.run_key IN ({_UNDER_WAY})"
    )
    op.add_column("run_states", sa.Column("newest_pull", sa.Integer, nullable=False, server_default=sa.text("0")))
    op.execute(
        "UPDATE run_states SET newest_pull = "
        "(SELECT coalesce(max(number), 0) FROM pulls WHERE pulls.run_key = run_states.run_key)"
    )
    for table in ("traces", "pulls"):
        op.execute(f"DELETE FROM {table} WHERE run_key IN ({_UNDER_WAY})")
    op.drop_column("pulls", "data")
    shown = ("tool", "reference", "operator", "procedure", "outcome", "started")
    text = " || char(10) || ".join(f"lower({name})" for name in shown)
    op.add_column("runs", sa.Column("search", sa.Text, sa.Computed(text, persisted=False)))
    op.create_index("ix_runs_search", "runs", ["key", "outcome", "source", "search"])
