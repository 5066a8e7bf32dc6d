"""TLS to a mail server: which certificates count."""

import ssl
from pathlib import Path


def client_context(ca_file: Path | None) -> ssl.SSLContext:
    """Make a context that checks certificate and name, against `ca_file` or the system's CAs.

    Raises:
        OSError: the file can't be read or holds no certificate.
    """
    return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
