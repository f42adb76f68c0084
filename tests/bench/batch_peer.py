"""The bare app with one route more: a batch through one Core executemany, as the batch goals name it."""

import apps
from apps import COLS, app, flask, get, reply, row, sa_engine


@app.post("/batch")
def batch():
    """One transaction; the body's lines are stored as they came, unparsed, in the event table with its two keys."""
    engine, event, _ = get("sa", sa_engine)
    rows = [dict(zip(COLS, row(line), strict=True)) for line in flask.request.get_data()[2:-2].split(b",\n")]
    with engine.begin() as connection:
        connection.execute(event.insert(), rows)
    return reply(len(rows))


__all__ = ["app", "apps"]
