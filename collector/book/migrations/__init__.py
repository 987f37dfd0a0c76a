"""Alembic migrations of the book; `collector.book.upgrade` runs them when a book is opened."""
