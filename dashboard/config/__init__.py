"""``kerfbook.toml``: what it may say (`settings`), reading it (`load`), a commented one (`template`)."""

from dashboard.config.faults import ConfigError, Fault
from dashboard.config.load import load, loads
from dashboard.config.settings import Settings
from dashboard.config.template import template

__all__ = ["ConfigError", "Fault", "Settings", "load", "loads", "template"]
