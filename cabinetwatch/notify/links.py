"""Signed links: what lets somebody act on an incident from a phone, and for how long.

A grant says on which incident, until when, and to whom it was given. Signed (HMAC-SHA256, RFC 2104)
with a key that the watch makes beside its store, it is the end of a link, or a cookie. Who makes
mails and who serves the page read the same key; without it there is neither link nor action.
"""

import base64
import binascii
import hashlib
import hmac
import logging
import re
import secrets
import stat
from pathlib import Path
from typing import NamedTuple

from cabinetwatch.config.model import Config
from cabinetwatch.config.values import read_plain_file
from cabinetwatch.store.place import write_durably
from cabinetwatch.text import CabinetwatchError

_log = logging.getLogger(__name__)

LASTS_MS = 86_400_000
"""A link is good for a day, a PIN once given as well."""
ACT = "act"
"""The path under which the page takes signed links."""
ANY = "*"
"""Stands for the incident in a grant for every one of them, as a PIN gives it."""

_KEY_BYTES = 32
_KEY = re.compile(r"[0-9a-f]{64}")
_LONGEST = 1024
"""Letters of a signed grant: more than a name of the longest makes."""
_LONGEST_NAME = 120


class NoKeyError(CabinetwatchError):
    """The key can't be read or made: one sentence."""


class Grant(NamedTuple):
    """Whoever shows it may act on an incident until an instant (UTC, ms); `who` it was given to."""

    incident: str
    until_ms: int
    who: str


def make_key(store: Path) -> None:
    """Make the key beside a store unless there is a good one; for who holds the store's lock.

    Raises:
        NoKeyError: it can't be written.
    """
    path = link_key_path(store)
    try:
        read_key(store)
    except NoKeyError:
        try:
            write_durably(path, f"{secrets.token_hex(_KEY_BYTES)}\n".encode())
        except OSError as error:
            raise NoKeyError(
                f"the key of links can't be written to {path} ({error.strerror})"
            ) from error


def read_key(store: Path) -> bytes:
    """Give the key beside a store.

    Raises:
        NoKeyError: there is none that is whole and closed to others.
    """
    path = link_key_path(store)
    try:
        text = read_plain_file(path, _LONGEST).decode("ascii", "replace").strip()
        is_open = path.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH)
    except (ValueError, OSError) as error:
        what = error.strerror if isinstance(error, OSError) else error
        raise NoKeyError(f"the key of links, {path}, {what}") from error
    if is_open:
        raise NoKeyError(
            f"the key of links, {path}, is open to every user of this machine; delete it, and the"
            " watch makes another at its next start"
        )
    if not _KEY.fullmatch(text):
        raise NoKeyError(
            f"the key of links, {path}, is damaged; the watch makes another at its next start"
        )
    return bytes.fromhex(text)


def link_key_path(store: Path) -> Path:
    """Give where the key of links lies."""
    return store.with_name(f"{store.name}.link-key")


def signature(key: bytes, *parts: str) -> str:
    """Sign texts, none of which can pass for part of another."""
    digest = hmac.new(key, digestmod=hashlib.sha256)
    for part in parts:
        encoded = part.encode("utf-8", "replace")
        digest.update(len(encoded).to_bytes(8, "big") + encoded)
    return _letters(digest.digest())


def same(one: str, other: str) -> bool:
    """Compare two signatures or secrets; how long it takes says nothing of either."""
    return hmac.compare_digest(one.encode("utf-8", "replace"), other.encode("utf-8", "replace"))


def sign(key: bytes, grant: Grant) -> str:
    """Give a grant as letters that a URL and a cookie hold as they are."""
    text = "\n".join((grant.incident, str(grant.until_ms), grant.who))
    return f"{_letters(text.encode())}.{signature(key, 'grant', text)}"


def read_grant(key: bytes, signed: str) -> Grant | None:
    """Give the grant that was signed with this key, over or not; None: nobody signed that."""
    body, _, its_signature = signed[:_LONGEST].partition(".")
    try:
        text = base64.b64decode(body + "=" * (-len(body) % 4), b"-_", validate=True).decode()
    except (binascii.Error, UnicodeError, ValueError):
        return None
    # The letters themselves, too: several can stand for the same bytes (RFC 4648 section 3.5).
    if _letters(text.encode()) != body or not same(signature(key, "grant", text), its_signature):
        return None
    incident, until_ms, who = text.split("\n", 2)
    return Grant(incident, int(until_ms), who)


def _letters(content: bytes) -> str:
    return base64.urlsafe_b64encode(content).rstrip(b"=").decode("ascii")


def link_to(config: Config, incident: str, made_ms: int, recipient: str) -> str:
    """Give the link to an incident for a mail made at an instant (UTC); empty without any.

    One that lets people act is good for a day; what is done by it is put down to the recipient.
    """
    page = config.page
    if page is None or page.url is None:
        return ""
    if not page.actions:
        return f"{page.url}/#incident-{incident}"
    try:
        key = read_key(config.store_path())
    except NoKeyError as error:
        _log.warning("a mail goes out without its link: %s", error)
        return ""
    who = recipient if len(recipient) <= _LONGEST_NAME else f"{recipient[: _LONGEST_NAME - 1]}…"
    return f"{page.url}/{ACT}/{sign(key, Grant(incident, made_ms + LASTS_MS, who))}"
