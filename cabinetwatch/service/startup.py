"""What a start needs: the store, opened, made, mended or stood in for, and the client ID.

What the broker keeps for the watch hangs on its client ID. So that is kept in a file of its own,
and a store that is damaged and set aside takes no queued messages along.

Migrations and the salvage of a damaged store are done by children: what they import would stay for
years, and what they read may be broken in any way. Where the disk refuses, `FallbackStore` lets the
watch begin all the same, with its records in memory.
"""

import json
import logging
import re
import secrets
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from cabinetwatch.clock import SystemClock
from cabinetwatch.config.model import Config
from cabinetwatch.config.services import Mqtt
from cabinetwatch.mqtt.backlog import MOST_SENT_AGAIN
from cabinetwatch.service.parts import ChildEndedError, OnFailure, Part, run_child
from cabinetwatch.store.database import MemoryPlace, is_sound
from cabinetwatch.store.place import (
    DamagedRecordError,
    DamagedStoreError,
    DiskFaultError,
    Salvage,
    WriterLock,
    database_path,
    database_url,
    end_salvage,
    finish_setting_aside,
    has_our_lock,
    note_salvage,
    pending_salvage,
    set_aside,
    take_report,
    write_durably,
)
from cabinetwatch.store.store import Store
from cabinetwatch.text import (
    CabinetwatchError,
    StoreError,
    counted,
    from_rfc3339,
    local_time,
    without_secrets,
)

_log = logging.getLogger(__name__)

_MIGRATION_S = 600.0
_SALVAGE_BEGIN_S = 240.0
_SALVAGE_REST_S = 86_400.0


def open_or_make(url: str, *, watch: bool = False, lock: WriterLock | None = None) -> Store:
    """Open the store for writing, made or brought up to date where that is needed.

    For `watch` and `lock` see `Store.open`.

    Raises:
        DamagedStoreError: it is ours, but damaged.
        StoreError: it can't be made, opened, or belongs to another daemon or program.
    """
    path = database_path(url)
    finish_setting_aside(path)
    store = _opened(url, watch=watch, lock=lock)
    salvage = pending_salvage(path)
    if salvage is not None and salvage.last_seq is None and not salvage.error:
        store.close()
        _begin_salvage(url, salvage)
        store = _opened(url, watch=watch)
    try:
        store.saved_state()
        store.last_t()
    except BaseException:
        store.close()
        raise
    return store


def _opened(url: str, *, watch: bool, lock: WriterLock | None = None) -> Store:
    """Open the store as it is; only one that is not there or is older is worth a migration."""
    try:
        return Store.open(url, window_messages=MOST_SENT_AGAIN, watch=watch, lock=lock)
    except (DamagedStoreError, DiskFaultError):
        raise
    except StoreError:
        # What is none of ours, or in use, is refused by the child with the same sentence.
        _prepared("cabinetwatch.store.migrate", url, within_s=_MIGRATION_S)
        return Store.open(url, window_messages=MOST_SENT_AGAIN, watch=watch)


def _prepared(module: str, *arguments: str, within_s: float) -> bytes:
    """Have a child work on the store, whose url is the last argument; give what it says."""
    try:
        return run_child(module, *arguments, within_s=within_s)
    except ChildEndedError:
        url = without_secrets(arguments[-1])
        raise StoreError(f"Making the store {url} ready took too long; try again") from None


def _begin_salvage(url: str, salvage: Salvage) -> None:
    """Have all carried over that a watch goes on from; without that it begins anew, and says so.

    Raises:
        DiskFaultError: there is no room for it now; it can still be done once there is.
    """
    path = database_path(url)
    try:
        said = _prepared("cabinetwatch.store.salvage", "begin", url, within_s=_SALVAGE_BEGIN_S)
        note_salvage(path, salvage._replace(last_seq=json.loads(said)["last_seq"]))
    except DiskFaultError:
        raise
    except (StoreError, OSError, ValueError, KeyError) as error:
        _log.error("nothing of %s could be carried over: %s", salvage.aside, error)
        note_salvage(path, salvage._replace(error=str(error)))


_NOTHING = (
    "nothing of the damaged one could be carried over: readings, alarms and what was learnt before"
    " are missing"
)


class SalvageLoop(Part):
    """Has a child carry the rest over beside the running watch, then says what could not be read.

    `tell` takes what the engine's journal says of the store, its fault and the fault's end, as
    `Daemon.tell_store` does.
    """

    def __init__(
        self,
        path: Path,
        salvage: Salvage,
        tell: Callable[..., None],
        on_failure: OnFailure,
        timezone: str,
    ) -> None:
        super().__init__("salvage", on_failure)
        self._path, self._salvage, self._tell = path, salvage, tell
        self._timezone = timezone
        self._stopping = threading.Event()

    def stop(self) -> None:
        """End the child; the next start does it again."""
        self._stopping.set()

    def run(self) -> None:
        """Carry over, and tell. Nothing that goes wrong here stops the watch."""
        aside, tell = self._salvage.aside, partial(self._tell, set_aside=True)
        was = f"The store was damaged; it was set aside as {aside.name}"
        if self._salvage.error:
            tell(ok=False, error=f"{was}, and nothing could be carried over")
            end_salvage(self._path)
            tell(ok=True, note=f"{_NOTHING} ({self._salvage.error})")
            return
        tell(ok=False, error=f"{was}, and what can be read of it is being carried over")
        child = ("cabinetwatch.store.salvage", "rest", database_url(self._path))
        try:
            done = json.loads(run_child(*child, within_s=_SALVAGE_REST_S, stop=self._stopping))
            end_salvage(self._path)
        except (CabinetwatchError, OSError, ValueError) as error:
            if not self._stopping.is_set():
                _log.error("what can be read of %s is not carried over: %s", aside, error)
                tell(ok=False, error=f"{was}. {error}")
            return
        if done:
            note = _carried(done, self._timezone) if self._salvage.last_seq else _NOTHING
            _log.warning("%s; %s", was, note)
            tell(ok=True, lost=done["lost"]["inputs"], note=note)


def _carried(done: dict[str, Any], timezone: str) -> str:
    count, lost = done["readings"], done["lost"]
    carried = f"{counted(count, 'reading')} {'was' if count == 1 else 'were'} carried over"
    if not lost["inputs"]:
        return f"{carried}, and none is missing among them"
    since, until = (
        otherwise if lost[end] is None else local_time(from_rfc3339(lost[end]), timezone)
        for end, otherwise in (("from", "the first"), ("to", "the last"))
    )
    between = f"{counted(lost['inputs'], 'reading')} between {since} and {until}"
    return f"{carried}; {between} could not be read"


def put_aside(url: str, error: DamagedStoreError) -> None:
    """Give a damaged store, which nobody has open any more, a dated name, and say so."""
    path = database_path(url)
    aside = set_aside(path, SystemClock().utc_ms())
    take_report(path)
    _log.error("%s; it was set aside as %s and a new store is begun", error, aside)


def put_aside_if_damaged(url: str, error: DamagedStoreError) -> None:
    """Set a store aside that seemed damaged amid a run, if ordinary opens say the same, twice."""
    path = database_path(url)
    try:
        if not isinstance(error, DamagedRecordError) and (is_sound(path) or is_sound(path)):
            _log.error("%s; but all of it can be read, and the watch goes on with it", error)
            return
    except StoreError as problem:
        _log.error("%s; but now it can't be read at all: %s", error, problem)
        return
    put_aside(url, error)


def rename_sensors(store: Store, config: Config) -> None:
    """Hand the past of renamed sensors over to their new IDs, before anything reads it.

    Where the store can't be written now, the next start does it.

    Raises:
        DamagedStoreError: the store is damaged.
    """
    try:
        found = store.rename(config.renames)
    except DamagedStoreError:
        raise
    except StoreError as error:
        _log.error("sensors can't be renamed now, so the next start does it: %s", error)
        return
    for old, new in found.due:
        _log.info("sensor %s was renamed to %s, and its history goes with it", old, new)
    for remark in found.remarks:
        _log.warning("%s", remark)


TRY_EVERY_S = 15.0


class FallbackStore:
    """Where the watch keeps its records until the disk of the `real` store takes them again.

    Raises:
        OSError: there is no room in memory either.
    """

    def __init__(self, real: Config, error: DiskFaultError) -> None:
        self.real = real
        self.error = str(error)
        _log.error("%s; the watch begins all the same, with its records in memory", error)
        path = database_path(real.store.url)
        self._place = MemoryPlace(path)
        store = real.store.model_copy(update={"url": self._place.url})
        client_id = client_id_without(real.mqtt, path)
        mqtt = real.mqtt.model_copy(update={"client_id": client_id})
        # Whoever acts through the page asks the real store, which takes nothing now.
        page, no_actions = real.page, {"url": None, "actions": False, "pin_file": None}
        if page is not None:
            page = None if page.directory is None else page.model_copy(update=no_actions)
        self.config = real.model_copy(update={"store": store, "mqtt": mqtt, "page": page})
        self._next_try = time.monotonic() + TRY_EVERY_S
        self._trying: threading.Thread | None = None
        self._is_over = False

    def is_over(self) -> bool:
        """Have the real store tried now and then; true once it can be written, or set aside.

        A damaged or an older one takes minutes to be opened, and a dying disk may never answer: so
        a thread of its own waits for it, and who asks never does.
        """
        if self._trying is not None:
            if self._trying.is_alive():
                return False
            self._trying = None
            self._next_try = time.monotonic() + TRY_EVERY_S
        elif time.monotonic() >= self._next_try:
            self._trying = threading.Thread(target=self._try, name="store-trial", daemon=True)
            self._trying.start()
        return self._is_over

    def _try(self) -> None:
        try:
            open_or_make(self.real.store.url).close()
        except DamagedStoreError:
            # The disk lets itself be read: a new start looks twice and does what there is to do.
            self._is_over = True
        except StoreError as error:
            _log.debug("still no store: %s", error)
        else:
            self._is_over = True

    def end(self) -> int:
        """Let go of the records in memory; give how many readings they held."""
        try:
            with Store.open(self._place.url, read_only=True) as store:
                count = sum(1 for _ in store.readings())
        except StoreError:
            count = 0
        self._place.remove()
        return count


_BEFORE = "cabinetwatch"
"""What every watch was called that made up no client ID of its own yet."""
_LETTERS = "0123456789abcdefghijklmnopqrstuvwxyz"
_LONGEST = 23
"""Every broker takes letters and digits up to here (MQTT 3.1.1, 3.1.3-5; MQTT 5.0, 3.1.3-5)."""
_OURS = re.compile(r"[0-9A-Za-z]{1,23}")


def client_id_of(settings: Mqtt, store: Path, *, has_run: bool, last: str = "") -> str:
    """Give the client ID of the watch over a store: the configured one, or else its own.

    Its own is made up at its first start, and the same ever after. Where it is not beside the
    store, as after a restore onto a new card, a watch that has run before goes on under the name
    that it had last, as the store knows it, and one that ran before it made one up under the old
    name: the broker keeps messages for that.
    """
    own = _kept(store)
    if own is None:
        own = _made_up()
        if has_run and settings.client_id is None:
            own = last if _OURS.fullmatch(last) else _BEFORE
        _keep(store, own)
    return settings.client_id or own


def client_id_without(settings: Mqtt, store: Path) -> str:
    """Give the client ID where the store's disk refuses: as `client_id_of`, but nothing is kept."""
    own = _kept(store) or (_BEFORE if has_our_lock(store) else _made_up())
    return settings.client_id or own


def client_id_last(settings: Mqtt, store: Path) -> str:
    """Give the client ID that a watch over the store would have gone by so far."""
    return settings.client_id or _kept(store) or _BEFORE


def _made_up() -> str:
    """Make up a client ID that nobody guesses: 56 bits behind the program's name."""
    return _BEFORE + "".join(secrets.choice(_LETTERS) for _ in range(_LONGEST - len(_BEFORE)))


def _beside(store: Path) -> Path:
    return store.with_name(f"{store.name}.client-id")


def _kept(store: Path) -> str | None:
    try:
        with _beside(store).open("rb") as file:
            text = file.read(_LONGEST + 2).decode("ascii", "replace").strip()
    except OSError:
        return None
    return text if _OURS.fullmatch(text) else None


def _keep(store: Path, client_id: str) -> None:
    """Write the file whole or not at all; a disk that refuses is logged, not fatal."""
    path = _beside(store)
    try:
        write_durably(path, f"{client_id}\n".encode())
    except OSError as error:
        _log.error(
            "the client ID can't be kept in %s (%s): after a restart the broker will take the watch"
            " for another one, and keep this one's messages from it; set client_id in [mqtt]",
            path,
            error.strerror,
        )
