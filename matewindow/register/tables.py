"""The tables of the register, for SQLite and PostgreSQL alike.

Dates and clock times of a batch are civil ones of its site, as the keeper writes them; instants are in UTC. Things that
people enter are never deleted from their table: ``deleted_at`` is set, and what was there before every change stands in
``changes``.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa


class Instant(sa.types.TypeDecorator[datetime]):
    """An instant: aware UTC in Python, ``timestamptz`` in PostgreSQL, naive UTC text in SQLite."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """To the database; an instant without a zone is a fault of ours."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("an instant without its zone")
        value = value.astimezone(UTC)
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """From the database."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if dialect.name == "sqlite" else value.astimezone(UTC)


NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
metadata = sa.MetaData(naming_convention=NAMES)


def _entity(name: str, *columns: sa.Column[Any] | sa.schema.SchemaItem) -> sa.Table:
    """A table of things that people enter: id, version and the times of its life come first."""
    return sa.Table(
        name,
        metadata,
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("created_at", Instant, nullable=False),
        sa.Column("changed_at", Instant, nullable=False),
        sa.Column("deleted_at", Instant),
        *columns,
    )


def _of(table: str, *, needed: bool = True, name: str = "") -> sa.Column[str]:
    return sa.Column(
        name or f"{table.removesuffix('s') if table != 'batches' else 'batch'}_id",
        sa.Text,
        sa.ForeignKey(f"{table}.id"),
        nullable=not needed,
        index=True,
    )


sites = _entity(
    "sites",
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("latitude", sa.Float, nullable=False),
    sa.Column("longitude", sa.Float, nullable=False),
    sa.Column("elevation_m", sa.Float, nullable=False),
    sa.Column("timezone", sa.Text, nullable=False),
    sa.Column("exposure", sa.Float, nullable=False),
    sa.Column("thresholds", sa.JSON, nullable=False),
    sa.Column("drones_mature_from", sa.Date),
    sa.Column("quiet_from_h", sa.Float),
    sa.Column("quiet_to_h", sa.Float),
    sa.Column("warn_below", sa.Float),
    sa.Column("warn_drop", sa.Float),
    sa.Column("notes", sa.Text, nullable=False),
)
builders = _entity(
    "builders",
    _of("sites"),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("queenright", sa.Boolean),
    sa.Column("strength_frames", sa.Float),
    sa.Column("recovering_until", sa.Date),
    sa.Column("notes", sa.Text, nullable=False),
)
batches = _entity(
    "batches",
    _of("sites"),
    _of("builders", needed=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("breeder_queen", sa.Text, nullable=False),
    sa.Column("drone_stock", sa.Text, nullable=False),
    sa.Column("grafted_on", sa.Date, nullable=False, index=True),
    sa.Column("grafted_at", sa.Time),
    sa.Column("larva_age_h", sa.Float),
    sa.Column("sealed_temp_c", sa.Float),
    sa.Column("kept_in", sa.Text, nullable=False),
    sa.Column("taken_on", sa.Date),
    sa.Column("sealed_on", sa.Date),
    sa.Column("moved_on", sa.Date),
    sa.Column("moved_at", sa.Time),
    sa.Column("emerged_on", sa.Date),
    sa.Column("n_grafted", sa.Integer),
    sa.Column("n_taken", sa.Integer),
    sa.Column("n_sealed", sa.Integer),
    sa.Column("n_placed", sa.Integer),
    sa.Column("n_emerged", sa.Integer),
    sa.Column("n_laying", sa.Integer),
    sa.Column("warn_below", sa.Float),
    sa.Column("ended_on", sa.Date),
    sa.Column("notes", sa.Text, nullable=False),
)
nucs = _entity(
    "nucs",
    _of("sites"),
    _of("batches", needed=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("broodless_since", sa.Date),
    sa.Column("cell_placed_on", sa.Date),
    sa.Column("emerged_on", sa.Date),
    sa.Column("outcome", sa.Text),
    sa.Column("outcome_on", sa.Date),
    sa.Column("outcome_reason", sa.Text, nullable=False),
    sa.Column("notes", sa.Text, nullable=False),
)
checks = _entity(
    "checks",
    _of("batches"),
    _of("nucs", needed=False),
    sa.Column("day", sa.Date, nullable=False),
    sa.Column("saw", sa.Text, nullable=False),
    sa.Column("notes", sa.Text, nullable=False),
)
ENTITIES = {"site": sites, "builder": builders, "batch": batches, "nuc": nucs, "check": checks}
"""What people enter, by kind, parents before children."""

changes = sa.Table(
    "changes",
    metadata,
    sa.Column("seq", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True, autoincrement=True),
    sa.Column("at", Instant, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("action", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("thing_id", sa.Text, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("before", sa.JSON(none_as_null=True)),
    sa.Column("after", sa.JSON(none_as_null=True)),
    sa.Index("ix_changes_thing", "kind", "thing_id", "version", unique=True),
)

outlooks = sa.Table(
    "outlooks",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("batch_id", sa.Text, sa.ForeignKey("batches.id"), nullable=False),
    sa.Column("issued_at", Instant, nullable=False),
    sa.Column("stands_on", sa.Text, nullable=False),
    sa.Column("parameters", sa.Text, nullable=False),
    sa.Column("p_well_mated", sa.Float, nullable=False),
    sa.Column("p_well_mated_low", sa.Float),
    sa.Column("p_well_mated_high", sa.Float),
    sa.Column("p_well_mated_usual", sa.Float),
    sa.Column("reading", sa.JSON, nullable=False),
    sa.Column("body", sa.LargeBinary, nullable=False),
    sa.Index("ix_outlooks_batch", "batch_id", "issued_at"),
)
batch_state = sa.Table(
    "batch_state",
    metadata,
    sa.Column("batch_id", sa.Text, sa.ForeignKey("batches.id"), primary_key=True),
    sa.Column("outlook_id", sa.Text, sa.ForeignKey("outlooks.id")),
    sa.Column("judge", sa.JSON(none_as_null=True)),
    sa.Column("trouble", sa.Text, nullable=False, server_default=""),
    sa.Column("due_at", Instant),
)
warnings = sa.Table(
    "warnings",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("batch_id", sa.Text, sa.ForeignKey("batches.id"), nullable=False, index=True),
    sa.Column("site_id", sa.Text, sa.ForeignKey("sites.id"), nullable=False, index=True),
    sa.Column("outlook_id", sa.Text, sa.ForeignKey("outlooks.id"), nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("raised_at", Instant, nullable=False),
    sa.Column("cleared_at", Instant),
    sa.Column("cleared_by", sa.Text),
    sa.Column("cleared_message", sa.Text, nullable=False),
    sa.Column("cause", sa.Text, nullable=False),
    sa.Column("message", sa.Text, nullable=False),
    sa.Column("data", sa.JSON, nullable=False),
)
calendar_stamps = sa.Table(
    "calendar_stamps",
    metadata,
    sa.Column("uid", sa.Text, primary_key=True),
    sa.Column("batch_id", sa.Text, sa.ForeignKey("batches.id"), nullable=False, index=True),
    sa.Column("stamp", sa.Text, nullable=False),
)

webhooks = sa.Table(
    "webhooks",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("created_at", Instant, nullable=False),
    sa.Column("changed_at", Instant, nullable=False),
    sa.Column("deleted_at", Instant),
    sa.Column("url", sa.Text, nullable=False),
    sa.Column("types", sa.JSON, nullable=False),
    sa.Column("site_id", sa.Text, sa.ForeignKey("sites.id")),
    sa.Column("secrets", sa.JSON, nullable=False),
    sa.Column("disabled_at", Instant),
    sa.Column("disabled_because", sa.Text),
    sa.Column("disabled_why", sa.Text, nullable=False),
    sa.Column("rests_until", Instant),
    sa.Column("n_delivered", sa.Integer, nullable=False),
    sa.Column("n_failed", sa.Integer, nullable=False),
    sa.Column("n_given_up", sa.Integer, nullable=False),
)
"""``secrets`` can be read back, since messages are signed with them; no answer, log or export holds them."""
events = sa.Table(
    "events",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("at", Instant, nullable=False, index=True),
    sa.Column("type", sa.Text, nullable=False),
    sa.Column("batch_id", sa.Text),
    sa.Column("site_id", sa.Text),
    sa.Column("body", sa.LargeBinary, nullable=False),
)
deliveries = sa.Table(
    "deliveries",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("seq", sa.BigInteger, nullable=False, unique=True),
    sa.Column("event_id", sa.Text, sa.ForeignKey("events.id"), nullable=False),
    sa.Column("webhook_id", sa.Text, sa.ForeignKey("webhooks.id"), nullable=False),
    sa.Column("batch_id", sa.Text),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("attempts", sa.Integer, nullable=False),
    sa.Column("next_at", Instant),
    sa.Column("claimed_by", sa.Text),
    sa.Column("claimed_until", Instant),
    sa.Column("last_at", Instant),
    sa.Column("last_status", sa.Integer),
    sa.Column("last_reason", sa.Text, nullable=False),
    sa.Column("last_answer", sa.Text, nullable=False),
    sa.Column("last_duration_s", sa.Float),
    sa.Column("delivered_at", Instant),
    sa.UniqueConstraint("event_id", "webhook_id"),
    sa.Index("ix_deliveries_due", "state", "next_at"),
    sa.Index("ix_deliveries_list", "webhook_id", "seq"),
    sa.Index("ix_deliveries_order", "webhook_id", "batch_id", "state", "seq"),
    sa.Index("ix_deliveries_queue", "webhook_id", "state", "seq"),
)
"""``seq`` rises in the order in which the changes were written, whatever the clock did."""

tokens = sa.Table(
    "tokens",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("scope", sa.Text, nullable=False),
    sa.Column("hash", sa.Text, nullable=False, unique=True),
    sa.Column("created_at", Instant, nullable=False),
    sa.Column("last_used_at", Instant),
    sa.Column("revoked_at", Instant),
)
feeds = sa.Table(
    "feeds",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("site_id", sa.Text, sa.ForeignKey("sites.id")),
    sa.Column("hash", sa.Text, nullable=False, unique=True),
    sa.Column("created_at", Instant, nullable=False),
    sa.Column("last_used_at", Instant),
    sa.Column("revoked_at", Instant),
)
idempotency = sa.Table(
    "idempotency",
    metadata,
    sa.Column("who", sa.Text, primary_key=True),
    sa.Column("route", sa.Text, primary_key=True),
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("fingerprint", sa.Text, nullable=False),
    sa.Column("status", sa.Integer, nullable=False),
    sa.Column("headers", sa.JSON, nullable=False),
    sa.Column("body", sa.LargeBinary, nullable=False),
    sa.Column("expires_at", Instant, nullable=False, index=True),
)
jobs = sa.Table(
    "jobs",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("site_id", sa.Text, sa.ForeignKey("sites.id")),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("done", sa.Integer, nullable=False),
    sa.Column("wanted", sa.Integer),
    sa.Column("said", sa.Text, nullable=False),
    sa.Column("created_at", Instant, nullable=False),
    sa.Column("started_at", Instant),
    sa.Column("ended_at", Instant),
    sa.Column("cancel_asked", sa.Boolean, nullable=False),
    sa.Column("claimed_by", sa.Text),
    sa.Column("claimed_until", Instant),
    sa.Column("asked", sa.JSON(none_as_null=True)),
)
"""``asked``: what else was said of it when it was asked for; null = nothing."""
leases = sa.Table(
    "leases",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("holder", sa.Text, nullable=False),
    sa.Column("until", Instant, nullable=False),
    sa.Column("renewed_at", Instant, nullable=False),
)
site_state = sa.Table(
    "site_state",
    metadata,
    sa.Column("site_id", sa.Text, sa.ForeignKey("sites.id"), primary_key=True),
    sa.Column("refreshed_at", Instant),
    sa.Column("tried_at", Instant),
    sa.Column("next_at", Instant),
    sa.Column("failures", sa.Integer, nullable=False),
    sa.Column("trouble", sa.Text, nullable=False),
    sa.Column("weather", sa.JSON, nullable=False),
)
site_weather = sa.Table(
    "site_weather",
    metadata,
    sa.Column("site_id", sa.Text, sa.ForeignKey("sites.id"), primary_key=True),
    sa.Column("place", sa.Text, nullable=False),
    sa.Column("stamp", sa.Text, nullable=False),
    sa.Column("asked_at", Instant, nullable=False),
    sa.Column("body", sa.LargeBinary, nullable=False),
)
"""Forecasts and record of each site as its last refresh made them ready, for every process that answers."""
site_past = sa.Table(
    "site_past",
    metadata,
    sa.Column("site_id", sa.Text, sa.ForeignKey("sites.id"), primary_key=True),
    sa.Column("edition", sa.Text, nullable=False),
    sa.Column("before", sa.Text, nullable=False),
    sa.Column("made_at", Instant, nullable=False),
    sa.Column("body", sa.LargeBinary, nullable=False),
)
"""Past years of each site, cut down to what odds ask of them."""
site_records = sa.Table(
    "site_records",
    metadata,
    sa.Column("site_id", sa.Text, sa.ForeignKey("sites.id"), primary_key=True),
    sa.Column("bounds", sa.Text, primary_key=True),
    sa.Column("made_at", Instant, nullable=False),
    sa.Column("site_version", sa.Integer, nullable=False),
    sa.Column("model", sa.Text, nullable=False),
    sa.Column("asked", sa.JSON, nullable=False),
    sa.Column("data", sa.LargeBinary, nullable=False),
    sa.Column("page", sa.LargeBinary, nullable=False),
)
"""The latest hindcast of each site and season bounds; ``data`` and ``page`` are compressed."""
meta = sa.Table(
    "meta",
    metadata,
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)
"""One row each: the instance's own name (``instance``), for calendar UIDs."""
