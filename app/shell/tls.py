"""HTTPS of the server's own: which certificate and key, or what is wrong with them."""

import ssl
from pathlib import Path

from app.errors import bad_input
from app.settings import Settings


def tls_of(settings: Settings) -> tuple[Path, Path] | tuple[None, None]:
    """Certificate and key of HTTPS, with Python's own choice of protocols (TLS 1.2 and 1.3) and ciphers. None: the server speaks HTTP."""
    certificate, key, where = settings.tls_certificate, settings.tls_key, "REELROOT_TLS_CERTIFICATE, REELROOT_TLS_KEY"
    if certificate is None and key is None:
        return None, None
    if certificate is None or key is None:
        raise bad_input("HTTPS needs two files.", where, "One of them is not named.", "Name both, or neither.")
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        why = f"{certificate} and {key} can't be used: {error}."
        raise bad_input("The server can't speak HTTPS.", where, why, "Name a certificate and its key.") from error
    return certificate, key
