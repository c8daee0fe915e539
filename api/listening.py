"""Where the service listens, taken before anything is begun, and an end that leaves nothing open."""

from __future__ import annotations

import errno
import signal
import socket
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

from matewindow.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import FrameType

BACKLOG = 2048
_FIX = {
    errno.EADDRINUSE: ("--port", "Another program listens there, perhaps this one: stop it, or name another --port."),
    errno.EACCES: ("--port", "Only the system's own services may take this port: name one from 1024 on."),
    errno.EADDRNOTAVAIL: ("--host", "Give an address of this machine."),
}
_LACKING = {errno.EADDRNOTAVAIL, errno.EAFNOSUPPORT}
"""A name may stand for addresses of kinds that this machine lacks."""


@contextmanager
def listening(host: str, port: int) -> Iterator[list[socket.socket]]:
    """Take an address and port; of a name that stands for several addresses those that this machine has.

    Args:
        host: name or address.
        port: 0 for any free one.

    Raises:
        RequestError: none of them can be taken.
    """
    with ExitStack() as stack:
        try:
            places = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        except (OSError, UnicodeError) as fault:
            raise RequestError(
                f"there is no address {host!r}", where="--host", fix="Give an address of this machine."
            ) from fault
        taken: list[socket.socket] = []
        lacking: OSError | None = None
        for family, _, _, _, address in dict.fromkeys(places):
            try:
                one = _taken(family, (address[0], taken[0].getsockname()[1] if taken else port, *address[2:]))
            except OSError as fault:
                if fault.errno not in _LACKING:
                    raise _refused(host, port, fault) from fault
                lacking = fault
            else:
                taken.append(stack.enter_context(one))
        if lacking is not None and not taken:
            raise _refused(host, port, lacking) from lacking
        yield taken


def _taken(family: int, address: tuple[object, ...]) -> socket.socket:
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # connections of the last run may still linger
        if family == socket.AF_INET6:
            made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        made.bind(address)
        made.listen(BACKLOG)
    except OSError:
        made.close()
        raise
    return made


def _refused(host: str, port: int, fault: OSError) -> RequestError:
    where, fix = _FIX.get(fault.errno or 0, ("--host", "Name another --host or --port."))
    return RequestError(f"cannot listen on {host} port {port} ({fault.strerror})", where=where, fix=fix)


@contextmanager
def ended_by_signal() -> Iterator[None]:
    """Let the signal that ends a service end this block as it ends by itself, so that all is closed.

    The server passes the signal on once it has shut down; by default that would kill the process there and then.
    """

    def end(_signal: int, _frame: FrameType | None) -> None:
        raise SystemExit(0)

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
