"""A whole workshop in one file: made while the collector goes on, and put back whole or not at all."""
