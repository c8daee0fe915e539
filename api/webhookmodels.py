"""Webhooks as OpenAPI describes them: what people write, and what is read back."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

from api.answers import NEXT_AFTER
from api.models import Changes
from matewindow.register.ids import PATTERN
from matewindow.register.records import Fields, Id, Short
from matewindow.webhooks.deliveries import State  # noqa: TC001
from matewindow.webhooks.endpoints import Because  # noqa: TC001
from matewindow.webhooks.kinds import KINDS, Wanted

Url = Annotated[str, StringConstraints(min_length=8, max_length=2000, pattern=r"^https?://[^\x00-\x20\x7f-\xa0\\]+$")]
_URL = "Where messages go: http or https, without user name and password, on the public internet or in a network that "
_URL += "MATEWINDOW_OUTBOUND_NETWORKS allows. Redirects are not followed."
_URL_EXAMPLES = ["https://hooks.example.org/bees"]
_TYPES = "Which events it is told of; `batch.*` stands for all of batches, `*` for everything. " + " ".join(
    f"`{kind}`: {words}." for kind, words in KINDS.items()
)
_SITE = "Only events of this site and of what stands on it; null = of all sites."
_WHEN = "2026-06-01T06:00:00Z"
_NOT_GIVEN: Any = None
"""Stands for a field that is left out; null is not the same."""
_RFC3339 = re.compile(r"\d{4}-\d{2}-\d{2}[Tt]\d{2}:\d{2}:\d{2}(\.\d{1,9})?([Zz]|[+-]\d{2}:\d{2})", re.ASCII)


def _instant(value: object) -> object:
    """An instant with its offset, from its text by RFC 3339."""
    if not isinstance(value, str) or not _RFC3339.fullmatch(value):
        raise ValueError("write a time with its offset, as 2026-06-01T12:00:00Z")
    try:
        return datetime.fromisoformat(value.upper()).astimezone(UTC)
    except (ValueError, OverflowError):
        raise ValueError("there is no such time; write it as 2026-06-01T12:00:00Z") from None


Instant = Annotated[datetime, BeforeValidator(_instant, json_schema_input_type=datetime)]


class WebhookFields(Fields):
    """Whom to tell what."""

    url: Url = Field(description=_URL, examples=_URL_EXAMPLES)
    types: list[Wanted] = Field(min_length=1, max_length=50, description=_TYPES, examples=[["warning.*", "batch.*"]])
    site_id: Id | None = Field(None, description=_SITE, examples=["site_0123456789abcdef"])


class WebhookChange(Changes):
    """Fields of a webhook to change; the others stay."""

    url: Url = Field(default=_NOT_GIVEN, description=_URL, examples=_URL_EXAMPLES)
    types: list[Wanted] = Field(
        default=_NOT_GIVEN, min_length=1, max_length=50, description=_TYPES, examples=[["warning.*"]]
    )
    site_id: Id | None = Field(default=None, description=_SITE, examples=["site_0123456789abcdef"])


class DisableFields(Fields):
    """Why a webhook is disabled."""

    why: Short = Field("", description="For those who look at it later.", examples=["Moved to another server"])


class ReplayFields(Fields):
    """Which messages to send once more: those of events from one time on and before another."""

    begin: Instant = Field(alias="from", description="Events from this time on.", examples=["2026-06-01T00:00:00Z"])
    end: Instant = Field(alias="to", description="And before this time.", examples=["2026-06-02T00:00:00Z"])
    delivered: bool = Field(
        default=False, description="Also those that were delivered, not only given up and missed.", examples=[True]
    )


class _Strict(BaseModel):
    """No other keys than these."""

    model_config = ConfigDict(extra="forbid")


class Webhook(_Strict):
    """A webhook, without its secret."""

    id: str = Field(pattern=PATTERN, description="Names the webhook.", examples=["hook_0123456789abcdef"])
    version: int = Field(ge=1, description="Rises by one with every change; the ETag goes by it.", examples=[1])
    created_at: datetime = Field(description="When it was added, UTC.", examples=[_WHEN])
    changed_at: datetime = Field(description="When it was last changed, UTC.", examples=[_WHEN])
    url: str = Field(description="Where messages go.", examples=_URL_EXAMPLES)
    types: list[str] = Field(description="Which events it is told of.", examples=[["warning.*", "batch.*"]])
    site_id: str | None = Field(description=_SITE, examples=["site_0123456789abcdef"])
    disabled_at: datetime | None = Field(
        description="Since when it gets nothing, UTC; null = it is enabled.", examples=[_WHEN]
    )
    disabled_because: Because | None = Field(
        description="owner: a person disabled it; gone: it answered 410; given up: ten attempts with a message failed.",
        examples=["given up"],
    )
    disabled_why: str = Field(
        description="The same in words; empty = it is enabled.",
        examples=["a message was given up after 10 attempts; the last one: it did not answer in time"],
    )


class NewWebhook(Webhook):
    """A webhook with its secret, which is shown here and never again."""

    secret: str = Field(description="What messages are signed with: `whsec_` and base64.", examples=["whsec_..."])


class NewSecret(_Strict):
    """The new secret, which is shown here and never again."""

    secret: str = Field(description="What messages are signed with from now on.", examples=["whsec_..."])
    old_secret_until: datetime = Field(
        description="Until then messages carry the old one's signature too, UTC.", examples=[_WHEN]
    )


class Webhooks(_Strict):
    """Webhooks in the order in which they were added."""

    items: list[Webhook]
    next_after: str | None = Field(description=NEXT_AFTER, examples=["hook_0123456789abcdef"])


class WebhookStatus(_Strict):
    """How a webhook does. The counts only ever rise."""

    delivered: int = Field(ge=0, description="Messages delivered since it was made.", examples=[412])
    failed: int = Field(ge=0, description="Attempts that failed since then.", examples=[3])
    given_up: int = Field(ge=0, description="Messages given up since then.", examples=[0])
    waiting: int = Field(ge=0, description="Messages that are still to be sent.", examples=[1])
    rests_until: datetime | None = Field(
        description="The endpoint has asked for no message before this, UTC; null = it has not.", examples=[_WHEN]
    )


class Delivery(_Strict):
    """What became of one message to one webhook."""

    id: str = Field(pattern=PATTERN, description="Names the delivery.", examples=["dlvr_0123456789abcdef"])
    seq: int = Field(ge=1, description="Number of the delivery, rising in the order of the changes.", examples=[17])
    event_id: str = Field(
        pattern=PATTERN,
        description="What the receiver sees as webhook-id, the same at every attempt.",
        examples=["evnt_0123456789abcdef"],
    )
    webhook_id: str = Field(pattern=PATTERN, description="To whom.", examples=["hook_0123456789abcdef"])
    type: str = Field(description="Type of the event.", examples=["batch.changed"])
    at: datetime = Field(description="When it happened, UTC.", examples=[_WHEN])
    site_id: str | None = Field(description="The site that it is about, if any.", examples=["site_0123456789abcdef"])
    batch_id: str | None = Field(description="The batch that it is about, if any.", examples=["btch_0123456789abcdef"])
    state: State = Field(
        description="waiting: for its first or next attempt; claimed: being sent; given up: after ten attempts, or the "
        "endpoint is gone; missed: not sent, since the webhook was disabled.",
        examples=["delivered"],
    )
    attempts: int = Field(ge=0, description="Attempts begun; a replay begins at 0 again.", examples=[1])
    next_at: datetime | None = Field(
        description="Earliest time of the next attempt, UTC; null = at once, or there is none.", examples=[_WHEN]
    )
    delivered_at: datetime | None = Field(
        description="When it was first delivered, UTC; null = never yet.", examples=[_WHEN]
    )
    last_at: datetime | None = Field(
        description="When the last attempt ended, UTC; null = there was none.", examples=[_WHEN]
    )
    last_status: int | None = Field(
        description="HTTP status of the last answer; null = there was none.", examples=[200]
    )
    last_reason: str = Field(description="What came of the last attempt, in words.", examples=["delivered (200 OK)"])
    last_answer: str = Field(description="Beginning of the last answer, 500 characters at most.", examples=["thanks"])
    last_duration_s: float | None = Field(description="How long the last attempt took, seconds.", examples=[0.12])


class Deliveries(_Strict):
    """Messages to a webhook, the newest first."""

    items: list[Delivery]
    next_after: int | None = Field(description=NEXT_AFTER, examples=[17])


class Replayed(_Strict):
    """How many messages will be sent once more."""

    replayed: int = Field(ge=0, description="Number of messages.", examples=[5])
