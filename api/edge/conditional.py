"""Conditional answers: bodies, gzip and ETags made once, and the preconditions of reads and writes.

Each representation has its own strong ETag, so the gzip form of a body has another one than the plain form. A caller
may send either back in If-Match.

Source: RFC 9110, sections 8.8.3 (ETag), 12.5.3 (Accept-Encoding), 13 (conditional requests), 15.4.5 (304);
RFC 6585, section 3 (428).
"""

from __future__ import annotations

import gzip
import hashlib
import re
from base64 import urlsafe_b64encode
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from starlette.responses import Response

from api.edge.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    Fields = Iterable[tuple[bytes, bytes]]

GZIP_LEVEL = 6
"""Half the time of 9, and a few bytes more."""
GZIP_MIN_BYTES = 860
"""Below this a compressed body saves no packet. Common practice."""
_TAG = re.compile(rb'[ \t]*(?:(W/)?("[\x21\x23-\x7e\x80-\xff]*")[ \t]*)?(?:,|$)')  # RFC 9110, 5.6.1 and 8.8.3
_QUALITY = re.compile(r"(?:0(?:\.\d{0,3})?|1(?:\.0{0,3})?)")  # RFC 9110, 12.4.2
_CACHED_BYTES = 256  # longer header values are parsed anew, so that nobody fills the cache with them


# --- entity tags ---------------------------------------------------------------------------------------------


def both_tags(name: str) -> tuple[str, str]:
    """The strong ETags of the plain and of the gzip form of what ``name`` (a version or a hash) stands for."""
    return f'"{name}"', f'"{name}-gz"'


def _tags(value: bytes) -> list[tuple[bool, bytes]]:
    """The (weak, tag) pairs of a list of entity tags.

    Raises:
        ValueError: it is not such a list.
    """
    found: list[tuple[bool, bytes]] = []
    at = 0
    while at < len(value):
        match = _TAG.match(value, at)
        if match is None:
            raise ValueError("not a list of entity tags")
        if match[2] is not None:
            found.append((match[1] is not None, match[2]))
        at = match.end()
    return found


def none_matches(if_none_match: bytes, tag: bytes) -> bool:
    """Whether If-None-Match lets a GET be answered in full: no listed tag equals the present one, weakly compared.

    A value that cannot be read counts as not sent.
    """
    if if_none_match == tag:  # what a well-behaved cache sends
        return False
    if if_none_match.strip() == b"*":
        return False
    try:
        return all(listed != tag for _, listed in _tags(if_none_match))
    except ValueError:
        return True


def matches(if_match: bytes, tags: Collection[bytes]) -> bool:
    """Whether If-Match names one of the present tags, strongly compared; ``*`` fits anything that exists.

    Raises:
        Problem: ``malformed-request``, it is no list of entity tags.
    """
    if if_match.strip() == b"*":
        return bool(tags)
    try:
        return any(not weak and tag in tags for weak, tag in _tags(if_match))
    except ValueError:
        raise Problem(
            "malformed-request",
            "The If-Match header is not a list of entity tags.",
            fix='Send the ETag exactly as it was received, with its quotes, such as If-Match: "7".',
        ) from None


def _field(headers: Fields, wanted: bytes) -> bytes | None:
    """A header field that is a list; several lines of it are one list (RFC 9110, section 5.3)."""
    found = [value for name, value in headers if name == wanted]
    return b", ".join(found) if found else None


def require_match(scope: Scope, tags: Collection[str]) -> None:
    """Let a change through only if the caller has seen the present version.

    Args:
        scope: of the request.
        tags: strong ETags of all forms of the present version (``both_tags``); empty if the thing does not exist.

    Raises:
        Problem: 428 without If-Match, 412 if it names another version, 400 if it cannot be read.
    """
    value = _field(scope["headers"], b"if-match")
    if value is None:
        raise Problem("precondition-required")
    if not matches(value, {tag.encode("latin-1") for tag in tags}):
        raise Problem("precondition-failed")


def require_absent(scope: Scope, tags: Collection[str]) -> None:
    """Let ``If-None-Match`` on a write stop it: ``*`` if the thing exists, a tag if it is the present one.

    Raises:
        Problem: 412.
    """
    value = _field(scope["headers"], b"if-none-match")
    if value is None or not tags:
        return
    if not all(none_matches(value, tag.encode("latin-1")) for tag in tags):
        raise Problem("precondition-failed", "It exists already, or is still the version that was excluded.")


# --- content coding ------------------------------------------------------------------------------------------


def coding_for(accept_encoding: bytes | None, *, gzip_exists: bool) -> str | None:
    """Choose between ``gzip`` and ``identity`` (RFC 9110, section 12.5.3).

    The one with the higher quality wins, gzip at equal ones. Without the header, or with an empty one, it is identity.

    Returns:
        The coding, or None if neither is acceptable.
    """
    if accept_encoding is None:
        return "identity"
    if len(accept_encoding) > _CACHED_BYTES:
        return _choose(accept_encoding, gzip_exists)
    return _choose_cached(accept_encoding, gzip_exists)


def _choose(accept_encoding: bytes, gzip_exists: bool) -> str | None:  # noqa: FBT001  the cache takes places
    quality = _qualities(accept_encoding.decode("latin-1").lower())
    others = quality.get("*")
    squeezed = max(quality.get("gzip", -1.0), quality.get("x-gzip", -1.0))
    if squeezed < 0.0:
        squeezed = others or 0.0
    plain = quality.get("identity")
    if plain is None:  # acceptable unless ruled out; listed codings come first
        plain = 0.0 if others == 0.0 else others if others is not None else 0.0001
    if gzip_exists and squeezed > 0.0 and squeezed >= plain:
        return "gzip"
    return "identity" if plain > 0.0 else None


_choose_cached = lru_cache(maxsize=512)(_choose)


def _qualities(text: str) -> dict[str, float]:
    """Quality of each listed coding; entries that cannot be read are left out."""
    found: dict[str, float] = {}
    for item in text.split(","):
        coding, *parameters = (part.strip() for part in item.split(";"))
        weight = next((p[2:].strip() for p in parameters if p.startswith("q=")), "1")
        if coding and _QUALITY.fullmatch(weight):
            found[coding] = float(weight)
    return found


# --- prepared answers ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Form:
    """One representation: what is sent with 200, and the fewer fields that are sent with 304."""

    tag: bytes
    body: bytes
    full: tuple[tuple[bytes, bytes], ...]
    kept: tuple[tuple[bytes, bytes], ...]


class Prepared:
    """An answer whose plain and gzip bytes, ETags and header fields are made once.

    It is an ASGI application that answers GET and HEAD with 200, 304, 406 or 412, and costs little more than the
    two messages that it sends. From a framework's route use ``response``.

    Args:
        body: identity form.
        media_type: its Content-Type.
        cache_control: what caches may do with it.
        vary: fields that choose the representation; Accept-Encoding is always among them.
        headers: further fields of the answer.
        tag: version that the ETags are made from; a hash of type and body if left out.
    """

    __slots__ = ("gzip", "identity")

    def __init__(
        self,
        body: bytes,
        media_type: str = "application/json",
        *,
        cache_control: str = "private, no-cache",
        vary: Iterable[str] = (),
        headers: Iterable[tuple[str, str]] = (),
        tag: str | None = None,
    ) -> None:
        plain_tag, gzip_tag = both_tags(tag if tag is not None else _hash(media_type, body))
        shared = [
            ("cache-control", cache_control),
            ("vary", ", ".join(dict.fromkeys(["Accept-Encoding", *vary]))),
        ]
        more = [("content-type", media_type), *headers]
        self.identity = _form(plain_tag, body, shared, more)
        self.gzip: _Form | None = None
        if len(body) >= GZIP_MIN_BYTES:
            squeezed = gzip.compress(body, GZIP_LEVEL, mtime=0)
            if len(squeezed) < len(body):
                self.gzip = _form(gzip_tag, squeezed, shared, [*more, ("content-encoding", "gzip")])

    @property
    def tags(self) -> tuple[str, ...]:
        """The strong ETags of all forms."""
        return tuple(form.tag.decode("latin-1") for form in (self.identity, self.gzip) if form is not None)

    def choose(self, headers: Fields) -> tuple[int, tuple[tuple[bytes, bytes], ...], bytes]:
        """Status, header fields and body of the answer to a read, for its header fields.

        Raises:
            Problem: 406 if neither coding is acceptable, 412 by If-Match, 400 if that cannot be read.
        """
        accept_encoding: bytes | None = None
        if_none_match: bytes | None = None
        if_match: bytes | None = None
        for name, value in headers:
            if name == b"accept-encoding":
                accept_encoding = value if accept_encoding is None else accept_encoding + b"," + value
            elif name == b"if-none-match":
                if_none_match = value if if_none_match is None else if_none_match + b"," + value
            elif name == b"if-match":
                if_match = value if if_match is None else if_match + b"," + value
        coding = coding_for(accept_encoding, gzip_exists=self.gzip is not None)
        if coding is None:
            raise Problem("not-acceptable")
        form = self.gzip if coding == "gzip" and self.gzip is not None else self.identity
        if if_match is not None and not matches(if_match, {form.tag}):
            raise Problem("precondition-failed", "The answer is no longer the version that If-Match names.")
        if if_none_match is not None and not none_matches(if_none_match, form.tag):
            return 304, form.kept, b""
        return 200, form.full, form.body

    def response(self, scope: Scope) -> Response:
        """The answer as a response object, for routes of a framework.

        To a write it is always the whole body: its preconditions were judged before the change (RFC 9110, section
        13.2.1) and name the version before it, and a change that is made is no longer refused.
        """
        if scope["method"] in {"GET", "HEAD"}:
            status, fields, body = self.choose(scope["headers"])
        else:
            accepted = _field(scope["headers"], b"accept-encoding")
            form = self.gzip if self.gzip and coding_for(accepted, gzip_exists=True) == "gzip" else self.identity
            status, fields, body = 200, form.full, form.body
        answer = Response(body, status)
        answer.raw_headers = list(fields)
        return answer

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: ARG002
        """Answer a GET or HEAD.

        Raises:
            Problem: another method (405), or one of ``choose``.
        """
        method = scope["method"]
        if method not in {"GET", "HEAD"}:
            raise Problem("method-not-allowed", headers={"Allow": "GET, HEAD"})
        status, fields, body = self.choose(scope["headers"])
        await send({"type": "http.response.start", "status": status, "headers": fields})
        await send({"type": "http.response.body", "body": body if method == "GET" else b""})


def _hash(media_type: str, body: bytes) -> str:
    digest = hashlib.sha256(media_type.encode("latin-1") + b"\0" + body).digest()
    return urlsafe_b64encode(digest[:15]).decode("ascii")


def _form(tag: str, body: bytes, shared: list[tuple[str, str]], more: list[tuple[str, str]]) -> _Form:
    kept = tuple((n.lower().encode("latin-1"), v.encode("latin-1")) for n, v in [("etag", tag), *shared])
    rest = tuple((n.lower().encode("latin-1"), v.encode("latin-1")) for n, v in more)
    return _Form(kept[0][1], body, (*kept, *rest, (b"content-length", str(len(body)).encode("ascii"))), kept)


# --- HEAD ----------------------------------------------------------------------------------------------------


class HeadLikeGet:
    """Answers HEAD wherever GET is answered, with the same header fields and no body (RFC 9110, section 9.3.2)."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a HEAD on as a GET and drop the body of its answer."""
        if scope["type"] != "http" or scope["method"] != "HEAD":
            await self.app(scope, receive, send)
            return
        inner = {**scope, "method": "GET"}

        async def bodiless(message: Message) -> None:
            if message["type"] == "http.response.body":
                message = {**message, "body": b""}
            await send(message)

        await self.app(inner, receive, bodiless)
        if "route" in inner:
            scope["route"] = inner["route"]  # the access log names the route
