"""A store in memory in place of one whose disk refuses at the start, so that alarms are told."""

import logging
import threading
import time

from cabinetwatch.config.model import Config
from cabinetwatch.errors import StoreError
from cabinetwatch.service import startup
from cabinetwatch.service.client_id import client_id_without
from cabinetwatch.store.in_memory import MemoryPlace
from cabinetwatch.store.place import DamagedStoreError, DiskFaultError, database_path
from cabinetwatch.store.store import Store

_log = logging.getLogger(__name__)

TRY_EVERY_S = 15.0


class StandIn:
    """Where the watch keeps its records until the real disk takes them again.

    Args:
        real: the configuration with the store that can't be used.
        error: what its disk says.

    Raises:
        OSError: there is no room in memory either.
    """

    def __init__(self, real: Config, error: DiskFaultError) -> None:
        self.real = real
        self.error = str(error)
        _log.error("%s; the watch begins all the same, with its records in memory", error)
        self._place = MemoryPlace(database_path(real.store.url))
        store = real.store.model_copy(update={"url": self._place.url})
        client_id = client_id_without(real.mqtt, database_path(real.store.url))
        mqtt = real.mqtt.model_copy(update={"client_id": client_id})
        self.config = real.model_copy(update={"store": store, "mqtt": mqtt})
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
            startup.open_or_make(self.real.store.url).close()
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
