"""The register as it was first made."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make all tables."""
    op.create_table(
        "changes",
        sa.Column("seq", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("thing_id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=True),
        sa.Column("after", sa.JSON(), nullable=True),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_changes")),
    )
    op.create_index("ix_changes_thing", "changes", ["kind", "thing_id", "version"], unique=True)
    op.create_table(
        "events",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("type", sa.Text(), nullable=False),
        sa.Column("batch_id", sa.Text(), nullable=True),
        sa.Column("site_id", sa.Text(), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_events")),
    )
    op.create_index(op.f("ix_events_at"), "events", ["at"], unique=False)
    op.create_table(
        "idempotency",
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("route", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("fingerprint", sa.Text(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("headers", sa.JSON(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("who", "route", "key", name=op.f("pk_idempotency")),
    )
    op.create_index(op.f("ix_idempotency_expires_at"), "idempotency", ["expires_at"], unique=False)
    op.create_table(
        "leases",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("holder", sa.Text(), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("renewed_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_leases")),
    )
    op.create_table(
        "meta",
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_meta")),
    )
    op.create_table(
        "sites",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("deleted_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("latitude", sa.Float(), nullable=False),
        sa.Column("longitude", sa.Float(), nullable=False),
        sa.Column("elevation_m", sa.Float(), nullable=False),
        sa.Column("timezone", sa.Text(), nullable=False),
        sa.Column("exposure", sa.Float(), nullable=False),
        sa.Column("thresholds", sa.JSON(), nullable=False),
        sa.Column("drones_mature_from", sa.Date(), nullable=True),
        sa.Column("quiet_from_h", sa.Float(), nullable=True),
        sa.Column("quiet_to_h", sa.Float(), nullable=True),
        sa.Column("warn_below", sa.Float(), nullable=True),
        sa.Column("warn_drop", sa.Float(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sites")),
    )
    op.create_table(
        "tokens",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_used_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tokens")),
        sa.UniqueConstraint("hash", name=op.f("uq_tokens_hash")),
    )
    op.create_table(
        "builders",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("deleted_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("queenright", sa.Boolean(), nullable=True),
        sa.Column("strength_frames", sa.Float(), nullable=True),
        sa.Column("recovering_until", sa.Date(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_builders_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_builders")),
    )
    op.create_index(op.f("ix_builders_site_id"), "builders", ["site_id"], unique=False)
    op.create_table(
        "feeds",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("site_id", sa.Text(), nullable=True),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_used_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_feeds_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feeds")),
        sa.UniqueConstraint("hash", name=op.f("uq_feeds_hash")),
    )
    op.create_table(
        "jobs",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("site_id", sa.Text(), nullable=True),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("done", sa.Integer(), nullable=False),
        sa.Column("wanted", sa.Integer(), nullable=True),
        sa.Column("said", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("cancel_asked", sa.Boolean(), nullable=False),
        sa.Column("claimed_by", sa.Text(), nullable=True),
        sa.Column("claimed_until", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_jobs_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
    )
    op.create_table(
        "site_state",
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("refreshed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("tried_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("next_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("trouble", sa.Text(), nullable=False),
        sa.Column("weather", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_site_state_site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_site_state")),
    )
    op.create_table(
        "site_weather",
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("stamp", sa.Text(), nullable=False),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_site_weather_site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_site_weather")),
    )
    op.create_table(
        "site_past",
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("edition", sa.Text(), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_site_past_site_id")),
        sa.PrimaryKeyConstraint("site_id", name=op.f("pk_site_past")),
    )
    op.create_table(
        "webhooks",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("deleted_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("types", sa.JSON(), nullable=False),
        sa.Column("site_id", sa.Text(), nullable=True),
        sa.Column("secrets", sa.JSON(), nullable=False),
        sa.Column("disabled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("disabled_because", sa.Text(), nullable=True),
        sa.Column("disabled_why", sa.Text(), nullable=False),
        sa.Column("rests_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("n_delivered", sa.Integer(), nullable=False),
        sa.Column("n_failed", sa.Integer(), nullable=False),
        sa.Column("n_given_up", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_webhooks_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_webhooks")),
    )
    op.create_table(
        "batches",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("deleted_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("builder_id", sa.Text(), nullable=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("breeder_queen", sa.Text(), nullable=False),
        sa.Column("drone_stock", sa.Text(), nullable=False),
        sa.Column("grafted_on", sa.Date(), nullable=False),
        sa.Column("grafted_at", sa.Time(), nullable=True),
        sa.Column("larva_age_h", sa.Float(), nullable=True),
        sa.Column("sealed_temp_c", sa.Float(), nullable=True),
        sa.Column("kept_in", sa.Text(), nullable=False),
        sa.Column("taken_on", sa.Date(), nullable=True),
        sa.Column("sealed_on", sa.Date(), nullable=True),
        sa.Column("moved_on", sa.Date(), nullable=True),
        sa.Column("moved_at", sa.Time(), nullable=True),
        sa.Column("emerged_on", sa.Date(), nullable=True),
        sa.Column("n_grafted", sa.Integer(), nullable=True),
        sa.Column("n_taken", sa.Integer(), nullable=True),
        sa.Column("n_sealed", sa.Integer(), nullable=True),
        sa.Column("n_placed", sa.Integer(), nullable=True),
        sa.Column("n_emerged", sa.Integer(), nullable=True),
        sa.Column("n_laying", sa.Integer(), nullable=True),
        sa.Column("warn_below", sa.Float(), nullable=True),
        sa.Column("ended_on", sa.Date(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["builder_id"], ["builders.id"], name=op.f("fk_batches_builder_id")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_batches_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_batches")),
    )
    op.create_index(op.f("ix_batches_builder_id"), "batches", ["builder_id"], unique=False)
    op.create_index(op.f("ix_batches_grafted_on"), "batches", ["grafted_on"], unique=False)
    op.create_index(op.f("ix_batches_site_id"), "batches", ["site_id"], unique=False)
    op.create_table(
        "deliveries",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("event_id", sa.Text(), nullable=False),
        sa.Column("webhook_id", sa.Text(), nullable=False),
        sa.Column("batch_id", sa.Text(), nullable=True),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("claimed_by", sa.Text(), nullable=True),
        sa.Column("claimed_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_status", sa.Integer(), nullable=True),
        sa.Column("last_reason", sa.Text(), nullable=False),
        sa.Column("last_answer", sa.Text(), nullable=False),
        sa.Column("last_duration_s", sa.Float(), nullable=True),
        sa.Column("delivered_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["event_id"], ["events.id"], name=op.f("fk_deliveries_event_id")),
        sa.ForeignKeyConstraint(["webhook_id"], ["webhooks.id"], name=op.f("fk_deliveries_webhook_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deliveries")),
        sa.UniqueConstraint("event_id", "webhook_id", name=op.f("uq_deliveries_event_id_webhook_id")),
        sa.UniqueConstraint("seq", name=op.f("uq_deliveries_seq")),
    )
    op.create_index("ix_deliveries_due", "deliveries", ["state", "next_at"], unique=False)
    op.create_index("ix_deliveries_list", "deliveries", ["webhook_id", "seq"], unique=False)
    op.create_index("ix_deliveries_order", "deliveries", ["webhook_id", "batch_id", "state", "seq"], unique=False)
    op.create_index("ix_deliveries_queue", "deliveries", ["webhook_id", "state", "seq"], unique=False)
    op.create_table(
        "calendar_stamps",
        sa.Column("uid", sa.Text(), nullable=False),
        sa.Column("batch_id", sa.Text(), nullable=False),
        sa.Column("stamp", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.id"], name=op.f("fk_calendar_stamps_batch_id")),
        sa.PrimaryKeyConstraint("uid", name=op.f("pk_calendar_stamps")),
    )
    op.create_index(op.f("ix_calendar_stamps_batch_id"), "calendar_stamps", ["batch_id"], unique=False)
    op.create_table(
        "nucs",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("deleted_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("batch_id", sa.Text(), nullable=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("broodless_since", sa.Date(), nullable=True),
        sa.Column("cell_placed_on", sa.Date(), nullable=True),
        sa.Column("emerged_on", sa.Date(), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.Column("outcome_on", sa.Date(), nullable=True),
        sa.Column("outcome_reason", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.id"], name=op.f("fk_nucs_batch_id")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_nucs_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_nucs")),
    )
    op.create_index(op.f("ix_nucs_batch_id"), "nucs", ["batch_id"], unique=False)
    op.create_index(op.f("ix_nucs_site_id"), "nucs", ["site_id"], unique=False)
    op.create_table(
        "outlooks",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("batch_id", sa.Text(), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("stands_on", sa.Text(), nullable=False),
        sa.Column("parameters", sa.Text(), nullable=False),
        sa.Column("p_well_mated", sa.Float(), nullable=False),
        sa.Column("p_well_mated_low", sa.Float(), nullable=True),
        sa.Column("p_well_mated_high", sa.Float(), nullable=True),
        sa.Column("p_well_mated_usual", sa.Float(), nullable=True),
        sa.Column("reading", sa.JSON(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.id"], name=op.f("fk_outlooks_batch_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outlooks")),
    )
    op.create_index("ix_outlooks_batch", "outlooks", ["batch_id", "issued_at"], unique=False)
    op.create_table(
        "batch_state",
        sa.Column("batch_id", sa.Text(), nullable=False),
        sa.Column("outlook_id", sa.Text(), nullable=True),
        sa.Column("judge", sa.JSON(), nullable=True),
        sa.Column("trouble", sa.Text(), server_default="", nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.id"], name=op.f("fk_batch_state_batch_id")),
        sa.ForeignKeyConstraint(["outlook_id"], ["outlooks.id"], name=op.f("fk_batch_state_outlook_id")),
        sa.PrimaryKeyConstraint("batch_id", name=op.f("pk_batch_state")),
    )
    op.create_table(
        "checks",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("deleted_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("batch_id", sa.Text(), nullable=False),
        sa.Column("nuc_id", sa.Text(), nullable=True),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("saw", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.id"], name=op.f("fk_checks_batch_id")),
        sa.ForeignKeyConstraint(["nuc_id"], ["nucs.id"], name=op.f("fk_checks_nuc_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_checks")),
    )
    op.create_index(op.f("ix_checks_batch_id"), "checks", ["batch_id"], unique=False)
    op.create_index(op.f("ix_checks_nuc_id"), "checks", ["nuc_id"], unique=False)
    op.create_table(
        "warnings",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("batch_id", sa.Text(), nullable=False),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("outlook_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("raised_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("cleared_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("cleared_by", sa.Text(), nullable=True),
        sa.Column("cleared_message", sa.Text(), nullable=False),
        sa.Column("cause", sa.Text(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.id"], name=op.f("fk_warnings_batch_id")),
        sa.ForeignKeyConstraint(["outlook_id"], ["outlooks.id"], name=op.f("fk_warnings_outlook_id")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_warnings_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_warnings")),
    )
    op.create_index(op.f("ix_warnings_batch_id"), "warnings", ["batch_id"], unique=False)
    op.create_index(op.f("ix_warnings_site_id"), "warnings", ["site_id"], unique=False)


def downgrade() -> None:
    """Drop all tables; what they held is lost."""
    op.drop_index(op.f("ix_warnings_site_id"), table_name="warnings")
    op.drop_index(op.f("ix_warnings_batch_id"), table_name="warnings")
    op.drop_table("warnings")
    op.drop_index(op.f("ix_checks_nuc_id"), table_name="checks")
    op.drop_index(op.f("ix_checks_batch_id"), table_name="checks")
    op.drop_table("checks")
    op.drop_table("batch_state")
    op.drop_index("ix_outlooks_batch", table_name="outlooks")
    op.drop_table("outlooks")
    op.drop_index(op.f("ix_nucs_site_id"), table_name="nucs")
    op.drop_index(op.f("ix_nucs_batch_id"), table_name="nucs")
    op.drop_table("nucs")
    op.drop_index(op.f("ix_calendar_stamps_batch_id"), table_name="calendar_stamps")
    op.drop_table("calendar_stamps")
    op.drop_index("ix_deliveries_queue", table_name="deliveries")
    op.drop_index("ix_deliveries_order", table_name="deliveries")
    op.drop_index("ix_deliveries_list", table_name="deliveries")
    op.drop_index("ix_deliveries_due", table_name="deliveries")
    op.drop_table("deliveries")
    op.drop_index(op.f("ix_batches_site_id"), table_name="batches")
    op.drop_index(op.f("ix_batches_grafted_on"), table_name="batches")
    op.drop_index(op.f("ix_batches_builder_id"), table_name="batches")
    op.drop_table("batches")
    op.drop_table("webhooks")
    op.drop_table("site_past")
    op.drop_table("site_weather")
    op.drop_table("site_state")
    op.drop_table("jobs")
    op.drop_table("feeds")
    op.drop_index(op.f("ix_builders_site_id"), table_name="builders")
    op.drop_table("builders")
    op.drop_table("tokens")
    op.drop_table("sites")
    op.drop_table("meta")
    op.drop_table("leases")
    op.drop_index(op.f("ix_idempotency_expires_at"), table_name="idempotency")
    op.drop_table("idempotency")
    op.drop_index(op.f("ix_events_at"), table_name="events")
    op.drop_table("events")
    op.drop_index("ix_changes_thing", table_name="changes")
    op.drop_table("changes")
