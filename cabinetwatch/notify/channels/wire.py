"""The way to a server: its name looked up and a connection made, all of it over in time.

`socket.create_connection` waits for the resolver for as long as that takes, and gives each address
the whole time. Instants are of the monotonic clock, in seconds.
"""

import socket
import threading
import time
from collections.abc import Iterable
from concurrent.futures import Future
from itertools import chain, zip_longest
from typing import Any

_MOST_ADDRESSES = 8

_Address = tuple[int, int, int, Any]

_look_ups: dict[tuple[str, int], "Future[list[_Address]]"] = {}
_lock = threading.Lock()


class NameTimeoutError(TimeoutError):
    """The resolver gave no answer in time."""


def connected(host: str, port: int, deadline: float, step_s: float) -> socket.socket:
    """Connect to a server; looking up its name takes `step_s` at most, and so does connecting.

    Raises:
        OSError: no connection came about.
        UnicodeError: the name is none.
    """
    addresses = _looked_up(host, port, min(deadline, time.monotonic() + step_s))
    until = min(deadline, time.monotonic() + step_s)
    problem = OSError("its name has no address")
    for number, (family, kind, protocol, address) in enumerate(addresses):
        sock = socket.socket(family, kind, protocol)
        try:
            # Each gets its share of the time that is left.
            sock.settimeout(left_s(until) / (len(addresses) - number))
            sock.connect(address)
        except OSError as error:
            sock.close()
            problem = error
        else:
            return sock
    raise problem


def left_s(until: float) -> float:
    """Give how long it is until then; raises TimeoutError when that is past."""
    left = until - time.monotonic()
    if left <= 0:
        raise TimeoutError
    return left


def _looked_up(host: str, port: int, until: float) -> list[_Address]:
    """Give the addresses of a server, those of IPv6 and IPv4 in turns (RFC 8305 section 4)."""
    families: dict[int, list[_Address]] = {}
    for address in _resolved(host, port, until):
        families.setdefault(address[0], []).append(address)
    in_turns: Iterable[_Address | None] = chain.from_iterable(zip_longest(*families.values()))
    return [address for address in in_turns if address is not None][:_MOST_ADDRESSES]


def _resolved(host: str, port: int, until: float) -> list[_Address]:
    """Ask the resolver in a thread of its own: nothing can interrupt it.

    A look-up that hangs is left behind, and whoever asks for the name again waits for the same one:
    so there is one thread for a name at most, and an answer that came late serves the next to ask.
    """
    with _lock:
        look_up = _look_ups.get((host, port))
        if look_up is None:
            look_up = Future()
            thread = threading.Thread(target=_resolve, args=(host, port, look_up), daemon=True)
            try:
                thread.start()
            except RuntimeError as error:
                raise OSError("no thread can be started to look up its name") from error
            _look_ups[host, port] = look_up
    try:
        return look_up.result(min(left_s(until), threading.TIMEOUT_MAX))
    except TimeoutError:
        raise NameTimeoutError from None
    finally:
        with _lock:
            if look_up.done() and _look_ups.get((host, port)) is look_up:
                del _look_ups[host, port]


def _resolve(host: str, port: int, look_up: "Future[list[_Address]]") -> None:
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        look_up.set_result([(*each[:3], each[4]) for each in found])
    except (OSError, UnicodeError) as error:
        look_up.set_exception(error)
