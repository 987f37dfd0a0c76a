"""``kerfbook.toml``: what it may say (`settings`), reading it (`load`), a commented one (`template`)."""

from dashboard.config.faults import ConfigError, Fault
from dashboard.config.load import NoConfigError, load, loads
from dashboard.config.settings import Settings
from dashboard.config.template import template

__all__ = ["ConfigError", "Fault", "NoConfigError", "Settings", "load", "loads", "template"]
