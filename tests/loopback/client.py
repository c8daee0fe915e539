"""For the client's side: the services' own addresses led to the loopback server, and a certificate for it."""

from __future__ import annotations

import shutil
import subprocess
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import requests

from matewindow.weather.session import TimedAdapter
from tests.loopback.exchange import ADDRESS, SERVICES

if TYPE_CHECKING:
    from pathlib import Path


class Rerouted(TimedAdapter):
    """Sends what is for a service's own host to its port, under that host's name."""

    def __init__(self, ports: dict[str, int]) -> None:
        self._ports = ports
        super().__init__()

    def send(self, request: requests.PreparedRequest, *args: Any, **kwargs: Any) -> requests.Response:
        """Send a request."""
        asked = request.url or ""
        parts = urlsplit(asked)
        port = self._ports.get(SERVICES.get(parts.hostname or "", ""))
        if port is None:
            raise requests.ConnectionError(f"{parts.hostname} is none of the loopback server's hosts", request=request)
        moved = request.copy()
        moved.headers["Host"] = parts.hostname or ""
        moved.url = f"http://{ADDRESS}:{port}{parts.path}" + (f"?{parts.query}" if parts.query else "")
        response = super().send(moved, *args, **kwargs)
        response.url, response.request = asked, request
        return response


def make_certificate(folder: Path) -> tuple[Path, Path] | None:
    """Make a certificate for 127.0.0.1 that holds for two days, with the ``openssl`` program.

    Returns:
        A file with key and certificate for the server and one with the certificate for ``Settings.ca_bundle``; None if
        there is no such program.
    """
    program = shutil.which("openssl")
    if program is None:
        return None
    key, certificate, both = folder / "key.pem", folder / "certificate.pem", folder / "both.pem"
    words = ["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    words += ["-subj", "/CN=loopback", "-addext", f"subjectAltName=IP:{ADDRESS}"]
    words += ["-keyout", str(key), "-out", str(certificate)]
    subprocess.run([program, *words], check=True, capture_output=True, timeout=60)
    both.write_bytes(key.read_bytes() + certificate.read_bytes())
    return both, certificate
