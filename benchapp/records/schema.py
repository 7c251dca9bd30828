"""Tables of the store as they are now. Migrations lead here; a test compares the two.

Times are ISO 8601 text with offset, dates ISO text, torques N·m in columns that carry `_nm`, digests hex text.
"""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa

APPLICATION_ID: Final = 0x4B4C5452  # stands in the file's header: "KLTR"
VERSION: Final = 4  # PRAGMA user_version
CAPTURED_BITS: Final = 20  # of a key of table `captured` that number the pull

SEARCHED: Final = " || char(10) || ".join(
    f"lower({name})" for name in ("tool", "reference", "operator", "procedure", "outcome", "started")
)

metadata = sa.MetaData()


def _text(name: str, default: str | None = "") -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False, server_default=default)


meta = sa.Table(
    "meta", metadata, sa.Column("name", sa.Text, primary_key=True), sa.Column("value", sa.Text, nullable=False)
)

people = sa.Table(
    "people",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    _text("code"),
    sa.Column("is_custodian", sa.Boolean, nullable=False, server_default=sa.text("0")),
    sa.Column("active", sa.Boolean, nullable=False, server_default=sa.text("1")),
)

tools = sa.Table(
    "tools",
    metadata,
    sa.Column("number", sa.Text, primary_key=True),
    _text("data", None),  # the tool as metrology sees it, JSON
    _text("code"),
    _text("place"),
    _text("keeper"),
    _text("state", "in-service"),
    sa.Column("interval_months", sa.Integer),
    sa.Column("interval_cycles", sa.Integer),
    sa.Column("first_use", sa.Text),
    sa.Column("cycles", sa.Integer, nullable=False, server_default=sa.text("0")),
    sa.Column("last_verified", sa.Text),
    _text("last_outcome"),
    sa.Column("due", sa.Text),
    _text("remark"),
    _text("search", None),  # case-folded, what "search as you type" looks in
    sa.Index("ix_tools_due", "due"),
    sa.Index("ix_tools_code", "code"),
)

tool_photos = sa.Table(
    "tool_photos",
    metadata,
    sa.Column("number", sa.Text, sa.ForeignKey("tools.number", ondelete="CASCADE"), primary_key=True),
    sa.Column("photo", sa.LargeBinary, nullable=False),
)

refs = sa.Table(
    "refs",
    metadata,
    sa.Column("number", sa.Text, primary_key=True),
    _text("data", None),  # without calibrations
)

calibrations = sa.Table(
    "calibrations",
    metadata,
    sa.Column("key", sa.Integer, primary_key=True),
    sa.Column("reference", sa.Text, sa.ForeignKey("refs.number"), nullable=False),
    _text("certificate", None),
    _text("calibrated", None),
    _text("due", None),
    _text("data", None),
    sa.Column("sequence", sa.Integer, nullable=False),  # its entry of the chain
    sa.UniqueConstraint("reference", "certificate", name="uq_calibrations_certificate"),
)

runs = sa.Table(
    "runs",
    metadata,
    sa.Column("key", sa.Integer, primary_key=True),
    sa.Column("run_id", sa.Text, nullable=False, unique=True),
    _text("tool", None),
    _text("reference", None),
    _text("operator", None),
    _text("source", None),
    _text("procedure", None),
    _text("started", None),
    _text("finished"),
    _text("state", None),
    _text("outcome"),
    sa.Column("n_readings", sa.Integer, nullable=False, server_default=sa.text("0")),
    sa.Column("n_set_aside", sa.Integer, nullable=False, server_default=sa.text("0")),
    sa.Column("worst_percent", sa.Float),
    sa.Column("is_full", sa.Boolean, nullable=False, server_default=sa.text("0")),
    _text("seal"),
    sa.Column("sequence", sa.Integer),  # its entry of the chain
    _text("released_by"),
    _text("voided"),
    sa.Column("search", sa.Text, sa.Computed(SEARCHED, persisted=False)),  # what "search as you type" looks in
    sa.Index("ix_runs_tool", "tool", "key"),
    sa.Index("ix_runs_reference", "reference", "started"),
    sa.Index("ix_runs_search", "key", "outcome", "source", "search"),  # what the logbook is filtered and searched by
    sa.Index("ix_runs_open", "key", sqlite_where=sa.text("seal = ''")),
)

run_plans = sa.Table(
    "run_plans",
    metadata,
    sa.Column("run_key", sa.Integer, sa.ForeignKey("runs.key"), primary_key=True),
    _text("data", None),
)

run_states = sa.Table(
    "run_states",
    metadata,
    sa.Column("run_key", sa.Integer, sa.ForeignKey("runs.key"), primary_key=True),
    _text("data", None),  # the run without its plan and pulls; gone once it is sealed
    # The newest pull when it was written: a later one in `captured` tells where the run stands.
    sa.Column("newest_pull", sa.Integer, nullable=False, server_default=sa.text("0")),
)

captured = sa.Table(
    "captured",  # pulls of runs under way with their traces, a row each; gone once the run is sealed
    metadata,
    sa.Column("key", sa.Integer, primary_key=True),  # run's key << CAPTURED_BITS | number
    _text("state"),  # the run after it, as in `run_states`; "" for one that was not stored alone
    _text("data", None),
    sa.Column("n_samples", sa.Integer),
    sa.Column("sha256", sa.Text),
    sa.Column("blob", sa.LargeBinary),
)

pulls = sa.Table(
    "pulls",  # of sealed runs
    metadata,
    sa.Column("run_key", sa.Integer, sa.ForeignKey("runs.key"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    _text("kind", None),
    sa.Column("checkpoint_index", sa.Integer),
    _text("direction", None),
    sa.Column("target_nm", sa.Float),
    sa.Column("reading_nm", sa.Float),
    sa.Column("peak_nm", sa.Float),
    sa.Column("deviation_percent", sa.Float),
    _text("band"),
    _text("set_aside"),
    _text("flags"),
    sqlite_with_rowid=False,
)

traces = sa.Table(
    "traces",  # of sealed runs
    metadata,
    sa.Column("run_key", sa.Integer, primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("n_samples", sa.Integer, nullable=False),
    _text("sha256", None),
    sa.Column("blob", sa.LargeBinary, nullable=False),
    sa.ForeignKeyConstraint(["run_key", "number"], ["pulls.run_key", "pulls.number"]),
)

entries = sa.Table(
    "entries",
    metadata,
    sa.Column("sequence", sa.Integer, primary_key=True),
    _text("kind", None),
    _text("subject", None),
    _text("sealed", None),
    _text("who", None),
    _text("digest", None),
    _text("previous", None),
    sa.Column("body", sa.LargeBinary, nullable=False),
    sa.Index("ix_entries_subject", "subject", "sequence"),
)

# --- version 2

jobs = sa.Table(
    "jobs",
    metadata,
    sa.Column("key", sa.Integer, primary_key=True),
    _text("tool", None),
    _text("job", None),
    _text("person", None),
    _text("at", None),
    sa.Column("at_s", sa.Float, nullable=False),  # the same moment in seconds since 1970, for periods over offsets
    sa.Column("cycles", sa.Integer, nullable=False, server_default=sa.text("0")),
    sa.Column("torque_nm", sa.Float),
    sa.Index("ix_jobs_tool", "tool", "at_s"),
)

tasks = sa.Table(
    "tasks",
    metadata,
    sa.Column("key", sa.Integer, primary_key=True),
    _text("cause", None),  # what was found out: run id of the verification or "reference:NUMBER:CERTIFICATE"
    _text("subject", None),
    _text("text", None),
    _text("created", None),
    _text("closed"),
    _text("closed_by"),
    _text("reason"),
    sa.UniqueConstraint("cause", "subject", name="uq_tasks_subject"),
)

custodian = sa.Table(
    "custodian",
    metadata,
    sa.Column("key", sa.Integer, primary_key=True),  # always 1
    sa.Column("salt", sa.LargeBinary, nullable=False),
    sa.Column("digest", sa.LargeBinary, nullable=False),
    sa.Column("n", sa.Integer, nullable=False),
    sa.Column("r", sa.Integer, nullable=False),
    sa.Column("p", sa.Integer, nullable=False),
    sa.Column("n_failed", sa.Integer, nullable=False, server_default=sa.text("0")),
    sa.Column("failed_s", sa.Float, nullable=False, server_default=sa.text("0")),
    _text("changed", None),
)

check_standard = sa.Table(
    "check_standard",
    metadata,
    sa.Column("key", sa.Integer, primary_key=True),
    _text("reference", None),
    _text("standard", None),
    _text("at", None),
    sa.Column("value_percent", sa.Float, nullable=False),
    _text("who", None),
    _text("run_id"),
    _text("looked_at_by"),
    _text("looked_at_why"),
    sa.Index("ix_check_standard", "reference", "standard", "key"),
)

# --- version 3

practice_pulls = sa.Table(
    "practice_pulls",
    metadata,
    sa.Column("key", sa.Integer, primary_key=True),
    _text("person", None),
    _text("at", None),
    _text("drill", None),
    sa.Column("level", sa.Integer, nullable=False, server_default=sa.text("1")),
    _text("tool"),
    _text("source", None),
    _text("data", None),  # marks, aim and passed or not, JSON
    sa.Index("ix_practice_person", "person", "key"),
)

studies = sa.Table(
    "studies",
    metadata,
    sa.Column("key", sa.Integer, primary_key=True),
    _text("name", None),
    _text("started", None),
    _text("finished"),
    _text("source", None),
    _text("data", None),  # people, tools, order, JSON
)

study_pulls = sa.Table(
    "study_pulls",
    metadata,
    sa.Column("study", sa.Integer, sa.ForeignKey("studies.key", ondelete="CASCADE"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    _text("at", None),
    _text("data", None),
)

procedures = sa.Table(
    "procedures",
    metadata,
    sa.Column("key", sa.Integer, primary_key=True),
    _text("name", None),
    sa.Column("version", sa.Integer, nullable=False),
    _text("data", None),  # TOML, as the built-in files
    _text("who", None),
    _text("at", None),
    _text("why"),
    sa.Column("sequence", sa.Integer, nullable=False),  # its entry of the chain
    sa.UniqueConstraint("name", "version", name="uq_procedures_version"),
)
