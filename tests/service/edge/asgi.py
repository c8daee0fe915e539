"""Plain ASGI: call an application without a server, and small applications to stand behind a guard."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from starlette.types import ASGIApp, Message, Receive, Scope, Send


@dataclass
class Answer:
    """What an application sent."""

    status: int = 0
    fields: list[tuple[str, str]] = field(default_factory=list)
    body: bytes = b""
    scope: Scope = field(default_factory=dict)

    def __getitem__(self, name: str) -> str:
        """The header field of this name; empty if it is not there, an error if it is there twice."""
        found = [value for n, value in self.fields if n == name.lower()]
        assert len(found) <= 1, f"{name} is there {len(found)} times"
        return found[0] if found else ""

    @property
    def json(self) -> Any:
        """The body, as JSON by the standard, without NaN."""

        def refuse(constant: str) -> None:
            raise AssertionError(f"{constant} is no JSON")

        return json.loads(self.body, parse_constant=refuse)

    @property
    def slug(self) -> str:
        """Kind of problem; empty if this is no problem."""
        return str(self.json["type"]).rpartition("/")[2] if self["content-type"] == "application/problem+json" else ""


def call(
    app: ASGIApp,
    path: str = "/",
    *,
    method: str = "GET",
    headers: Iterable[tuple[str, str]] | dict[str, str] = (),
    body: bytes | Sequence[bytes] = b"",
    hang_up: bool = False,
    host: str | None = "localhost",
    **scope: Any,
) -> Answer:
    """Send one request to an application and collect its answer.

    Args:
        app: the application.
        path: path, with the query after ``?``.
        method: of the request.
        headers: header fields.
        body: the body, or the parts in which it arrives.
        hang_up: whether the caller goes away after the parts, before the end of the body.
        host: the Host header, unless it is among the header fields; None for none.
        scope: further entries of the scope.
    """
    given = list(headers.items() if isinstance(headers, dict) else headers)
    if host is not None and not any(name.lower() == "host" for name, _ in given):
        given.insert(0, ("host", host))
    parts = [body] if isinstance(body, bytes) else list(body)
    messages: list[Message] = [{"type": "http.request", "body": part, "more_body": True} for part in parts]
    if hang_up:
        messages.append({"type": "http.disconnect"})
    else:
        messages[-1]["more_body"] = False
    plain, _, query = path.partition("?")
    full: Scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method,
        "path": plain,
        "raw_path": plain.encode(),
        "root_path": "",
        "query_string": query.encode(),
        "scheme": "http",
        "server": ("127.0.0.1", 8377),
        "client": ("192.0.2.10", 50000),
        "headers": [(name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in given],
        "state": {},
        **scope,
    }
    answer = Answer(scope=full)

    async def receive() -> Message:
        return messages.pop(0) if messages else {"type": "http.disconnect"}

    async def send(message: Message) -> None:
        if message["type"] == "http.response.start":
            answer.status = message["status"]
            answer.fields = [(n.decode("latin-1"), v.decode("latin-1")) for n, v in message.get("headers", ())]
        else:
            answer.body += message.get("body", b"")

    asyncio.run(app(full, receive, send))  # type: ignore[arg-type]
    return answer


class Echo:
    """Answers with the body of the request and remembers what it was asked.

    Args:
        status: of the answer.
        headers: of the answer.
        body: of the answer; what was received if left out.
        fault: raised instead of answering.
    """

    def __init__(
        self,
        status: int = 200,
        headers: Iterable[tuple[str, str]] = (("content-type", "application/json"),),
        body: bytes | None = None,
        fault: Exception | None = None,
    ) -> None:
        self.status, self.body, self.fault = status, body, fault
        self.headers = tuple((n.encode(), v.encode()) for n, v in headers)
        self.scopes: list[Scope] = []

    @property
    def calls(self) -> int:
        """How often it was asked."""
        return len(self.scopes)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self.scopes.append(scope)
        if self.fault is not None:
            raise self.fault
        received = b""
        while True:
            message = await receive()
            received += message.get("body", b"")
            if not message.get("more_body", False):
                break
        body = received if self.body is None else self.body
        fields = (*self.headers, (b"content-length", str(len(body)).encode()))
        await send({"type": "http.response.start", "status": self.status, "headers": fields})
        await send({"type": "http.response.body", "body": body})
