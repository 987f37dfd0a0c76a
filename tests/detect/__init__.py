"""The detector: what counts as what, laws for every trace, judges it has never seen."""
