"""What a job says to the gate is found apart from the rest of the job. Code of before runs beside it; what that writes
meanwhile wants a redraw.
"""

from alembic import op

revision = "0011_gate_topics"
down_revision = "0010_cosignatures"

SAYING = (
    "part.fitted",
    "part.removed",
    "work.done",
    "setting.left",
    "rebuild.completed",
    "job.opened",
    "check.answered",
    "run.recorded",
    "finding.closed",
)


def upgrade() -> None:
    op.execute(
        "INSERT INTO entry_topic (book, topic, log_index, relation, type)"
        " SELECT book, 'gate:' || substr(topic, 5), log_index, relation, type FROM entry_topic"
        f" WHERE topic LIKE 'job:%' AND type IN {SAYING}"
    )


def downgrade() -> None:
    raise RuntimeError("the log below is never unsealed")
