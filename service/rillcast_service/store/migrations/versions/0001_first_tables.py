"""The first tables: layouts, bench, quotes with their jobs, files, idempotency keys, workers."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_moment = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "layouts",
        sa.Column("layout_id", sa.String(32), nullable=False),
        sa.Column("owner", sa.String(64), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("media_type", sa.Text, nullable=False),
        sa.Column("options", sa.JSON, nullable=False),
        sa.Column("created_at", _moment, nullable=False),
        sa.Column("layout", sa.JSON, nullable=False),
        sa.Column("source", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("layout_id", name="pk_layouts"),
        sa.UniqueConstraint("owner", "digest", name="uq_layouts_owner_digest"),
    )
    op.create_index(
        "ix_layouts_page", "layouts", ["owner", sa.text("created_at DESC"), sa.text("layout_id DESC")]
    )
    op.create_table(
        "bench",
        sa.Column("owner", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(64), nullable=False),
        sa.Column("name", sa.String(128), nullable=False),
        sa.Column("entry", sa.JSON, nullable=False),
        sa.Column("updated_at", _moment, nullable=False),
        sa.PrimaryKeyConstraint("owner", "kind", "name", name="pk_bench"),
    )
    op.create_table(
        "quotes",
        sa.Column("quote_id", sa.String(32), nullable=False),
        sa.Column("owner", sa.String(64), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("progress", sa.Float, nullable=False),
        sa.Column("step", sa.Text, nullable=False),
        sa.Column("attempt", sa.Integer, nullable=False),
        sa.Column("released", sa.Integer, nullable=False),
        sa.Column("worker_id", sa.String(64)),
        sa.Column("lease_until", _moment),
        sa.Column("announced_at", _moment),
        sa.Column("created_at", _moment, nullable=False),
        sa.Column("updated_at", _moment, nullable=False),
        sa.Column("started_at", _moment),
        sa.Column("finished_at", _moment),
        sa.Column("request", sa.JSON, nullable=False),
        sa.Column("problem", sa.JSON),
        sa.Column("result", sa.JSON),
        sa.PrimaryKeyConstraint("quote_id", name="pk_quotes"),
        sa.CheckConstraint(
            "state in ('queued', 'running', 'done', 'failed', 'cancelled')", name=op.f("ck_quotes_state")
        ),
    )
    op.create_index(
        "ix_quotes_page", "quotes", ["owner", sa.text("created_at DESC"), sa.text("quote_id DESC")]
    )
    op.create_index("ix_quotes_queue", "quotes", ["state", "created_at"])
    op.create_table(
        "payloads",
        sa.Column("quote_id", sa.String(32), nullable=False),
        sa.Column("owner", sa.String(64), nullable=False),
        sa.Column("payload", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("quote_id", name="pk_payloads"),
        sa.ForeignKeyConstraint(
            ["quote_id"], ["quotes.quote_id"], name="fk_payloads_quote_id", ondelete="CASCADE"
        ),
    )
    op.create_table(
        "artefacts",
        sa.Column("quote_id", sa.String(32), nullable=False),
        sa.Column("route", sa.String(64), nullable=False),
        sa.Column("name", sa.String(128), nullable=False),
        sa.Column("owner", sa.String(64), nullable=False),
        sa.Column("media_type", sa.Text, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("quote_id", "route", "name", name="pk_artefacts"),
        sa.ForeignKeyConstraint(
            ["quote_id"], ["quotes.quote_id"], name="fk_artefacts_quote_id", ondelete="CASCADE"
        ),
    )
    op.create_table(
        "idempotency_keys",
        sa.Column("owner", sa.String(64), nullable=False),
        sa.Column("key", sa.String(255), nullable=False),
        sa.Column("fingerprint", sa.String(128), nullable=False),
        sa.Column("quote_id", sa.String(32), nullable=False),
        sa.Column("created_at", _moment, nullable=False),
        sa.PrimaryKeyConstraint("owner", "key", name="pk_idempotency_keys"),
        sa.ForeignKeyConstraint(
            ["quote_id"],
            ["quotes.quote_id"],
            name="fk_idempotency_keys_quote_id",
            ondelete="CASCADE",
            deferrable=True,
            initially="DEFERRED",
        ),
    )
    op.create_index("ix_idempotency_keys_created_at", "idempotency_keys", ["created_at"])
    op.create_table(
        "workers",
        sa.Column("worker_id", sa.String(64), nullable=False),
        sa.Column("started_at", _moment, nullable=False),
        sa.Column("beat_at", _moment, nullable=False),
        sa.PrimaryKeyConstraint("worker_id", name="pk_workers"),
    )


def downgrade() -> None:
    for table in ("workers", "idempotency_keys", "artefacts", "payloads", "quotes", "bench", "layouts"):
        op.drop_table(table)
