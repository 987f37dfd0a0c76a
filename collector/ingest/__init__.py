"""Ingest: messages become committed trace and facts."""

from collector.ingest.ingest import Counts, Ingest

__all__ = ["Counts", "Ingest"]
