"""The bare app with one route more: a listing of units by number, a page of 500, as anyone would write it."""

import json

import apps
from apps import PATH, app, flask, get

UNITS = 5000


def listed():
    import sqlalchemy as sa

    engine = sa.create_engine(f"sqlite:///{PATH}", pool_size=40)
    columns = (sa.Column("unit", sa.Text, primary_key=True), *(sa.Column(n, sa.Text) for n in ("class", "standing")))
    more = (sa.Column("why", sa.Text), sa.Column("due_on", sa.Text), sa.Column("site", sa.Text))
    table = sa.Table("listed", metadata := sa.MetaData(), *columns, *more)
    metadata.create_all(engine)
    rows = [
        {"unit": f"FLT-{n:04d}", "class": "FLEET", "standing": "in_shop", "why": "never released", "site": "bay"}
        for n in range(UNITS)
    ]
    with engine.begin() as connection:
        if not connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one():
            connection.execute(table.insert(), [row | {"due_on": "2030-01-01"} for row in rows])
    return engine, sa.select(table).order_by(table.c.unit).limit(500), table


@app.get("/list")
def listing():
    """One query through Core, one dictionary a row, json."""
    engine, query, table = get("list", listed)
    with engine.connect() as connection:
        found = connection.execute(query.where(table.c.unit > flask.request.args.get("after", ""))).mappings()
        body = json.dumps({"units": [dict(row) for row in found]})
    return flask.Response(body, 200, {"Content-Type": "application/json"})


__all__ = ["app", "apps"]
