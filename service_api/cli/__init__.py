"""The command `fettlebook`. Each command imports what it needs when it runs, so that help comes at once.

Exit status: 0 done, 1 found wrong, 2 wrong use, 3 could not run.
"""

import click

from service_api import __version__
from service_api.cli import access, books, people, proof, serving, store, tags
from service_api.ops.calls import Call

CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


@click.group(context_settings=CONTEXT)
@click.option("--data", metavar="DIR", help="Folder of the database file, keys and attachments [./fettlebook-data].")
@click.option("--book", "origin", metavar="ORIGIN", help="Which book, where the store has several.")
@click.option("--json", "as_json", is_flag=True, help="Answer in JSON, for a program.")
@click.version_option(__version__, message="%(version)s")
@click.pass_context
def main(context: click.Context, data: str | None, origin: str | None, as_json: bool) -> None:
    """Fettlebook keeps an immutable log of entries per tagged unit, and computes from it what the unit is now.

    Try it:  fettlebook demo
    """
    context.obj = Call(data, origin, as_json)


for commands in (
    *(
        serving.demo,
        serving.serve,
        store.migrate,
        store.redraw,
        proof.verify,
        store.doctor,
        store.clock,
        books.book,
        books.key,
    ),
    *(access.token, access.device, people.person, tags.tags_group),
):
    main.add_command(commands)
