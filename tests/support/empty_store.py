"""A store without content, made once a process and only copied: making one takes a second."""

import tempfile
from functools import cache
from pathlib import Path

from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.place import database_path, database_url


def put_empty_store(place: Path | str) -> Path:
    """Put one at a path, or at the path of a store's URL, which is given back."""
    path = database_path(place) if isinstance(place, str) else place
    path.write_bytes(_content())
    path.chmod(0o600)
    return path


@cache
def _content() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "watch.db"
        migrate(database_url(path))
        return path.read_bytes()
