"""Why a server's certificate was refused, as a sentence that says what would help."""

import ssl
from datetime import UTC, datetime
from pathlib import Path

# X509_V_ERR_... of OpenSSL's x509_vfy.h.
_NOT_YET_VALID = 9
_EXPIRED = 10
_SELF_SIGNED = (18, 19)
_UNKNOWN_ISSUER = (2, 20, 21)
_WRONG_NAME = (62, 64)


def certificate_sentence(error: ssl.SSLCertVerificationError, ca_file: Path | None) -> str:
    """Say why a certificate was refused and what would help, to go on after the server's name."""
    # The very clock that judged the certificate, not the watch's.
    clock = f"this machine's clock says {datetime.now(UTC):%Y-%m-%d}"
    code = error.verify_code
    if code == _NOT_YET_VALID:
        return f"its certificate is not valid yet: {clock}; if that is wrong, set the clock"
    if code == _EXPIRED:
        return (
            f"its certificate has expired: {clock}; if that is right, the server needs a new"
            " certificate"
        )
    if code in _SELF_SIGNED or code in _UNKNOWN_ISSUER:
        known = f"the authorities in {ca_file}" if ca_file else "the system's authorities"
        return (
            f"its certificate is signed by nobody among {known}; give the right authority's"
            " certificate as ca_file"
        )
    if code in _WRONG_NAME:
        return (
            f"its certificate is for another name ({error.verify_message}); write the name in the"
            " certificate as host"
        )
    return f"its certificate is refused: {error.verify_message}"
