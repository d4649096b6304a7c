"""How the outlets check who is at the other end of an encrypted connection: always, and the same everywhere."""

from __future__ import annotations

import ssl


def context(ca_file: str = "") -> ssl.SSLContext:
    """Checks chain, name and dates against `ca_file` (PEM), or against the system's authorities.

    From Python 3.13 on, strict checking is the default and refuses what home-made authorities commonly leave out (the
    authority key identifier); it is left off, as on older versions.

    Raises:
        OSError: the file can't be read or holds no certificate.
    """
    made = ssl.create_default_context(cafile=ca_file or None)
    made.verify_flags &= ~ssl.VERIFY_X509_STRICT
    return made
