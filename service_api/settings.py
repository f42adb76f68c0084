"""Settings: FETTLEBOOK_... variables over one TOML file, and where the things that travel with the code lie."""

from collections.abc import Mapping
from dataclasses import dataclass
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
    """

    data: Path
    database: str
    zone: str

    @property
    def attachments(self) -> Path:
        return self.data / "attachments"


KNOWN = {"FETTLEBOOK_DATA": "data", "FETTLEBOOK_DATABASE": "database", "FETTLEBOOK_ZONE": "zone"}


def read_settings(environment: Mapping[str, str], data: str | None = None) -> Settings:
    """The settings in force: the command's --data, then the environment, then DIR/fettlebook.toml, then defaults.

    Raises SettingsError for an unknown key in the file.
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
            raise SettingsError(f"{file}: unknown setting {sorted(unknown)[0]!r}; known are database and zone")
    database = environment.get("FETTLEBOOK_DATABASE") or written.get("database") or f"sqlite:///{folder}/fettlebook.db"
    zone = environment.get("FETTLEBOOK_ZONE") or written.get("zone") or "UTC"
    return Settings(folder, database, zone)


def travelling(name: str) -> Path:
    """The folder of something that travels with the code: inside the wheel, or at the top of a checkout."""
    inside = PACKAGE / "_travelling" / name
    return inside if inside.exists() else PACKAGE.parent / name
