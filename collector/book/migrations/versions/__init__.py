"""One file a schema version, in order."""
