"""Of a corrected layout, the one that it was made from."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("layouts", sa.Column("corrected_from", sa.String(32)))
