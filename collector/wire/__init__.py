"""The wire format: topics, SenML packs (RFC 8428) and what the box's signals mean. Pure."""
