"""A stored stretch of life of the small world, under a configuration file."""

import contextlib
import io
from pathlib import Path

from cabinetwatch.cli.main import main
from cabinetwatch.store.records import Batch
from cabinetwatch.store.replay import pack_state
from cabinetwatch.store.store import Store
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind
from tests.support.empty_store import put_empty_store
from tests.watch.world import World

STORE = '[store]\nurl = "sqlite:///watch.db"\n'


def write_config(folder: Path, text: str) -> Path:
    path = folder / "config.toml"
    path.write_text(text + STORE, encoding="utf-8")
    return path


def keep(
    config_file: Path, world: World, at_once: int = 1_000_000, *, with_state: bool = True
) -> None:
    """Write all that a world's engine was told, so much a commit, what it told, and its state."""
    config = load_config(config_file)
    engine = Engine(config)
    engine.load(world.engine.save())
    put_empty_store(config.store.url)
    in_force = Entry(world.inputs[0].t, EntryKind.CONFIG, {"config": config.as_json()})
    with Store.open(config.store.url) as store:
        inputs = [in_force, *world.inputs]
        for start in range(0, len(inputs), at_once):
            part = inputs[start : start + at_once]
            store.commit(Batch(part[-1].t, 0, part))
        state = pack_state(engine) if with_state else None
        store.commit(Batch(world.t, 0, transitions=world.told, state=state))


def run(config_file: Path, *arguments: str) -> tuple[int, str, str]:
    """Run a command; give its exit status, standard output and standard error."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main([*arguments, "--config", str(config_file)])
    return status, out.getvalue(), err.getvalue()
