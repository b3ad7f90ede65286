"""The server itself: an address to open, a code to scan, a certificate for this run."""

from __future__ import annotations

import asyncio
import datetime
import ipaddress
import logging
import secrets
import socket
import ssl
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from geoleak.errors import GeoleakError
from geoleak.record import Record

LOOPBACK = "127.0.0.1"
# A connection that has sent no whole request by then is cut, and a body that is not there: a phone
# sends again what was not acknowledged. Waiting phones keep theirs open.
SLOW_S = 15.0
MOST_CONNECTIONS = 64


class Address(Record):
    """Where the page is: every name it goes by, and the one to print."""

    scheme: str
    host: str
    port: int
    token: str | None

    @property
    def hosts(self) -> tuple[str, ...]:
        """Names that a request may call the server by."""
        names = dict.fromkeys((self.host, LOOPBACK, "localhost"))
        usual = 443 if self.scheme == "https" else 80
        return (*(f"{name}:{self.port}" for name in names), *(names if self.port == usual else ()))

    @property
    def url(self) -> str:
        """The address to open."""
        token = f"?token={self.token}" if self.token else ""
        return f"{self.scheme}://{self.host}:{self.port}/{token}"


def listen(port: int, *, share: bool, tls: bool) -> tuple[socket.socket, Address]:
    """Open the socket and return it with its address.

    Raises
    ------
    GeoleakError
        For a port that is taken, or no network to share on.
    """
    host = _own_address() if share else LOOPBACK
    opened = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        opened.bind((host, port))
    except OSError as error:
        opened.close()
        raise GeoleakError(
            f"--port {port}: cannot be used ({error.strerror}); name another, or 0 for a free one"
        ) from None
    token = secrets.token_urlsafe(24) if share else None
    scheme = "https" if tls else "http"
    return opened, Address(scheme, host, opened.getsockname()[1], token)


def _own_address() -> str:
    """Return this machine's address in the network it would reach others by; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address kept for documentation: RFC 5737
            return str(probe.getsockname()[0])
        except OSError:
            raise GeoleakError(
                "--share: this machine is on no network; join the phone's hotspot first"
            ) from None


def certificate(host: str, folder: Path) -> tuple[Path, Path, str]:
    """Make a key and a certificate for this run; return their files and the fingerprint.

    Raises
    ------
    GeoleakError
        Where the package that makes them is not installed.
    """
    try:
        from cryptography import x509
        from cryptography.hazmat.primitives import hashes, serialization
        from cryptography.hazmat.primitives.asymmetric import ec
        from cryptography.x509.oid import NameOID
    except ImportError:
        raise GeoleakError("--tls needs cryptography; install geoleak[tls]") from None
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "geoleak, this run only")])
    now = datetime.datetime.now(datetime.UTC)
    names = [x509.IPAddress(ipaddress.ip_address(each)) for each in dict.fromkeys((host, LOOPBACK))]
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1))
        .not_valid_after(now + datetime.timedelta(days=2))
        .add_extension(
            x509.SubjectAlternativeName([*names, x509.DNSName("localhost")]), critical=False
        )
        .sign(key, hashes.SHA256())
    )
    key_file, made_file = folder / "key.pem", folder / "certificate.pem"
    key_file.touch(mode=0o600)
    key_file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    made_file.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    print_of = made.fingerprint(hashes.SHA256()).hex(":").upper()
    return key_file, made_file, print_of


def code_lines(text: str) -> list[str]:
    """Return a QR code as lines of half blocks, dark on light, with its quiet zone."""
    from reportlab.graphics.barcode.qrencoder import QRCode, QRErrorCorrectLevel

    code = QRCode(None, QRErrorCorrectLevel.M)
    code.addData(text)
    code.make()
    # Four light squares round it, and one row more: two squares share a letter, and rows are odd.
    dark = np.pad(np.array(code.modules, dtype=int), ((4, 5), (4, 4)))
    # A light square is drawn, a dark one left: right on the dark screens that terminals have.
    signs = np.array(["█", "▀", "▄", " "])
    return ["".join(row) for row in signs[2 * dark[::2] + dark[1::2]]]


def run(
    app: Any,
    opened: socket.socket,
    *,
    tls: tuple[Path, Path] | None,
    started: Callable[[], None],
) -> None:
    """Serve until it is stopped at the keyboard."""
    import uvicorn
    from uvicorn.protocols.http.h11_impl import H11Protocol

    class Bounded(H11Protocol):
        """Cuts a connection that sends no request."""

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            self.loop.call_later(SLOW_S, self._cut)

        def _cut(self) -> None:
            if self.cycle is None and not self.transport.is_closing():
                self.transport.close()

    class Stopped(uvicorn.Server):
        """Says nothing of what a second Ctrl+C cuts off."""

        def handle_exit(self, sig: int, frame: Any) -> None:
            super().handle_exit(sig, frame)
            logging.getLogger("uvicorn.error").disabled = self.force_exit

    config = uvicorn.Config(
        app,
        http=Bounded,
        access_log=False,  # a token may stand in an address
        log_level="warning",
        server_header=False,
        limit_concurrency=MOST_CONNECTIONS,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=2,
        ssl_keyfile=tls[0] if tls else None,
        ssl_certfile=tls[1] if tls else None,
        ssl_version=ssl.PROTOCOL_TLS_SERVER,
    )
    server = Stopped(config)

    async def serving() -> None:
        work = asyncio.create_task(server.serve(sockets=[opened]))
        while not server.started and not work.done():
            await asyncio.sleep(0.01)
        started()
        await work

    asyncio.run(serving())
