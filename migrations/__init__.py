"""The tables' history: alembic revisions. The line in HEAD is the newest."""
