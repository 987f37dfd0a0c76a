"""A letter that is a page of its own may have an HTML form beside its text."""

import sqlalchemy as sa
from alembic import op

revision = "letter_html"
down_revision = "sums_version"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this version."""
    op.add_column("letter", sa.Column("html", sa.Text(), nullable=True))


def downgrade() -> None:
    """Back to the version before."""
    with op.batch_alter_table("letter") as table:
        table.drop_column("html")
