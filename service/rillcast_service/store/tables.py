"""The tables. A change here comes with a migration; a test compares the two."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import (
    JSON,
    CheckConstraint,
    Column,
    DateTime,
    Dialect,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
    desc,
)


class UtcDateTime(TypeDecorator[datetime]):
    """A moment, always with its zone in Python. SQLite knows no zones and keeps UTC without one."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To UTC, without the zone where the database has none."""
        if value is None:
            return None
        moment = value.astimezone(UTC)
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Back, with the zone."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


# Text of JSON keeps the order of members, which PostgreSQL's jsonb would not.
_Json = JSON(none_as_null=True)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

layouts = Table(
    "layouts",
    metadata,
    Column("layout_id", String(32), primary_key=True),
    Column("owner", String(64), nullable=False),
    Column("digest", String(64), nullable=False),
    Column("name", Text, nullable=False),
    Column("media_type", Text, nullable=False),
    Column("options", _Json, nullable=False),
    Column("created_at", UtcDateTime, nullable=False),
    Column("layout", _Json, nullable=False),
    Column("source", LargeBinary, nullable=False),
    # Of a corrected layout, the one that it was made from, which may be gone by now.
    Column("corrected_from", String(32)),
    UniqueConstraint("owner", "digest"),
)
Index("ix_layouts_page", layouts.c.owner, desc(layouts.c.created_at), desc(layouts.c.layout_id))

bench = Table(
    "bench",
    metadata,
    Column("owner", String(64), primary_key=True),
    Column("kind", String(64), primary_key=True),
    Column("name", String(128), primary_key=True),
    Column("entry", _Json, nullable=False),
    Column("updated_at", UtcDateTime, nullable=False),
)

quotes = Table(
    "quotes",
    metadata,
    Column("quote_id", String(32), primary_key=True),
    Column("owner", String(64), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("state", String(16), nullable=False),
    Column("progress", Float, nullable=False),
    Column("step", Text, nullable=False),
    # The job: `attempt` is the fence and only grows; `released` counts those handed back in good order.
    Column("attempt", Integer, nullable=False),
    Column("released", Integer, nullable=False),
    Column("worker_id", String(64)),
    Column("lease_until", UtcDateTime),
    Column("announced_at", UtcDateTime),
    Column("created_at", UtcDateTime, nullable=False),
    Column("updated_at", UtcDateTime, nullable=False),
    Column("started_at", UtcDateTime),
    Column("finished_at", UtcDateTime),
    Column("request", _Json, nullable=False),
    Column("problem", _Json),
    Column("result", _Json),
    CheckConstraint("state in ('queued', 'running', 'done', 'failed', 'cancelled')", name="state"),
)
Index("ix_quotes_page", quotes.c.owner, desc(quotes.c.created_at), desc(quotes.c.quote_id))
Index("ix_quotes_queue", quotes.c.state, quotes.c.created_at)

# Apart from `quotes`, so that a heartbeat does not rewrite a long row.
payloads = Table(
    "payloads",
    metadata,
    Column("quote_id", ForeignKey("quotes.quote_id", ondelete="CASCADE"), primary_key=True),
    Column("owner", String(64), nullable=False),
    Column("payload", _Json, nullable=False),
)

artefacts = Table(
    "artefacts",
    metadata,
    Column("quote_id", ForeignKey("quotes.quote_id", ondelete="CASCADE"), primary_key=True),
    # "" stands for the quote as a whole: a primary key takes no NULL.
    Column("route", String(64), primary_key=True),
    Column("name", String(128), primary_key=True),
    Column("owner", String(64), nullable=False),
    Column("media_type", Text, nullable=False),
    Column("body", LargeBinary, nullable=False),
)

idempotency_keys = Table(
    "idempotency_keys",
    metadata,
    Column("owner", String(64), primary_key=True),
    Column("key", String(255), primary_key=True),
    Column("fingerprint", String(128), nullable=False),
    # Deferred: the key is taken before the quote is written, so that of two requests one waits.
    Column(
        "quote_id",
        ForeignKey("quotes.quote_id", ondelete="CASCADE", deferrable=True, initially="DEFERRED"),
        nullable=False,
    ),
    Column("created_at", UtcDateTime, nullable=False),
)
Index("ix_idempotency_keys_created_at", idempotency_keys.c.created_at)

workers = Table(
    "workers",
    metadata,
    Column("worker_id", String(64), primary_key=True),
    Column("started_at", UtcDateTime, nullable=False),
    Column("beat_at", UtcDateTime, nullable=False),
)
