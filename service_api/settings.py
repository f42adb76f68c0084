"""Settings: FETTLEBOOK_... variables over one TOML file, and where the things that travel with the code lie."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

PACKAGE = Path(__file__).parent
LARGEST_BODY = 5 * 1024 * 1024
MOST_ENTRIES = 5000
THREADS = 32


class SettingsError(ValueError):
    """A setting that nobody can follow."""


@dataclass(frozen=True)
class Settings:
    """What is in force.

    data : folder of the database file, keys and attachments (FETTLEBOOK_DATA, default ./fettlebook-data)
    database : URL of the store (FETTLEBOOK_DATABASE, default an SQLite file in `data`)
    zone : offset or zone name in which the days of a new book begin (FETTLEBOOK_ZONE, default UTC)
    public_log : what of a book's log anybody may read (FETTLEBOOK_PUBLIC_LOG): `no`thing, its `hashes` (checkpoints,
        tiles, proofs), or its `entries` too
    sources : for each of these, where it came from
    """

    data: Path
    database: str
    zone: str
    public_log: str = "no"
    sources: Mapping[str, str] = field(default_factory=dict, compare=False)

    @property
    def attachments(self) -> Path:
        return self.data / "attachments"

    @property
    def keys(self) -> Path:
        return self.data / "keys"


KNOWN = {
    "FETTLEBOOK_DATA": "data",
    "FETTLEBOOK_DATABASE": "database",
    "FETTLEBOOK_ZONE": "zone",
    "FETTLEBOOK_PUBLIC_LOG": "public_log",
}
PUBLIC_LOG = ("no", "hashes", "entries")  # each opens what those before it open


def read_settings(environment: Mapping[str, str], data: str | None = None) -> Settings:
    """The settings in force: the command's --data, then the environment, then DIR/fettlebook.toml, then defaults.

    Raises SettingsError for an unknown key in the file, and for a `public_log` that is none.
    """
    folder = Path(data or environment.get("FETTLEBOOK_DATA") or "fettlebook-data").absolute()
    file = folder / "fettlebook.toml"
    written: dict[str, str] = {}
    if file.exists():
        import tomllib

        try:
            written = tomllib.loads(file.read_text("utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise SettingsError(f"{file}: {error}") from error
        unknown = written.keys() - (set(KNOWN.values()) - {"data"})
        if unknown:
            raise SettingsError(
                f"{file}: unknown setting {sorted(unknown)[0]!r}; known are database, zone and public_log"
            )
    sources = {"data": "--data" if data else "FETTLEBOOK_DATA" if environment.get("FETTLEBOOK_DATA") else "default"}
    chosen = {"database": f"sqlite:///{folder}/fettlebook.db", "zone": "UTC", "public_log": "no"}
    for variable, name in KNOWN.items():
        if name in chosen:
            said, sources[name] = environment.get(variable), variable
            if not said:
                said, sources[name] = written.get(name), file.name
            if not said:
                said, sources[name] = chosen[name], "default"
            chosen[name] = said
    if chosen["public_log"] not in PUBLIC_LOG:
        raise SettingsError(
            f"public_log is one of {', '.join(PUBLIC_LOG)}, and {sources['public_log']} says {chosen['public_log']!r}"
        )
    return Settings(folder, chosen["database"], chosen["zone"], chosen["public_log"], sources)


def travelling(name: str) -> Path:
    """The folder of something that travels with the code: inside the wheel, or at the top of a checkout."""
    inside = PACKAGE / "_travelling" / name
    return inside if inside.exists() else PACKAGE.parent / name
