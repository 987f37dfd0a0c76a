"""The API over HTTP: one file a subject, each a function that makes a blueprint from a `Desk`."""
